/* Panels on a serial line that is as slow as a real one, behind a pseudo terminal.
 *
 *   paced_panel BAUD DELAY_US
 *
 * Prints "ready DEVICE" and answers reads (functions 1 to 4) of every unit until its standard input
 * ends; then prints "requests N early N strange N".
 *
 * A pseudo terminal carries a whole request at once. The line here takes 11 bit times for each of
 * its characters, then the silence t3.5 by which a panel knows that the request has ended, then the
 * panel's own delay, and hands out each character of the reply when its last bit would be over.
 * The silence is 3.5 characters up to 19200 baud and 1.75 ms above it (Modbus over Serial Line
 * V1.02, section 2.5.1.1). A request is "early" if it comes before that silence is over behind the
 * last reply, "strange" if it is not 8 bytes with a right check sum.
 */
#define _GNU_SOURCE
#include <fcntl.h>
#include <poll.h>
#include <sched.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#define SPIN_NS 40000 /* a sleep ends a little late; the rest is waited out */

static int64_t now_ns(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return now.tv_sec * 1000000000LL + now.tv_nsec;
}

static void wait_until(int64_t at_ns)
{
    int64_t wake_ns = at_ns - SPIN_NS;
    struct timespec wake = {wake_ns / 1000000000LL, wake_ns % 1000000000LL};
    if (wake_ns > now_ns())
        clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &wake, NULL);
    while (now_ns() < at_ns)
        ;
}

/* Modbus over Serial Line V1.02, section 6.2.2. */
static uint16_t crc(const uint8_t *bytes, int count)
{
    uint16_t sum = 0xFFFF;
    for (int place = 0; place < count; place++) {
        sum ^= bytes[place];
        for (int bit = 0; bit < 8; bit++)
            sum = sum & 1 ? sum >> 1 ^ 0xA001 : sum >> 1;
    }
    return sum;
}

/* The reply to a read; its length, or 0 where the request is none. */
static int reply_to(const uint8_t *request, int length, uint8_t *reply)
{
    if (length != 8 || crc(request, 6) != (request[6] | request[7] << 8))
        return 0;
    int function = request[1], count = request[4] << 8 | request[5];
    int data = function <= 2 ? (count + 7) / 8 : 2 * count;
    if (function < 1 || function > 4 || count < 1 || data > 250)
        return 0;
    reply[0] = request[0];
    reply[1] = function;
    reply[2] = data;
    memset(reply + 3, 0, data);
    uint16_t sum = crc(reply, 3 + data);
    reply[3 + data] = sum & 0xFF;
    reply[4 + data] = sum >> 8;
    return 5 + data;
}

int main(int count, char **given)
{
    if (count != 3)
        return 2;
    int64_t baud = atoi(given[1]), delay_ns = atoi(given[2]) * 1000LL;
    double character_ns = 11e9 / baud;
    int64_t silence_ns = baud <= 19200 ? 3.5 * character_ns : 1750000;
    struct sched_param first = {.sched_priority = 1};
    sched_setscheduler(0, SCHED_FIFO, &first); /* where it may; else it is only less exact */
    prctl(PR_SET_TIMERSLACK, 1UL);

    int line = posix_openpt(O_RDWR | O_NOCTTY);
    if (line < 0 || grantpt(line) || unlockpt(line))
        return 1;
    int other_end = open(ptsname(line), O_RDWR | O_NOCTTY); /* open as long as this runs */
    struct termios raw;
    if (other_end < 0 || tcgetattr(other_end, &raw))
        return 1;
    cfmakeraw(&raw);
    tcsetattr(other_end, TCSANOW, &raw);
    printf("ready %s\n", ptsname(line));
    fflush(stdout);

    long requests = 0, early = 0, strange = 0;
    int64_t free_ns = 0;
    struct pollfd all[2] = {{.fd = line, .events = POLLIN}, {.fd = 0, .events = POLLIN}};
    uint8_t request[256], reply[256];
    for (;;) {
        if (poll(all, 2, -1) < 0 || all[1].revents)
            break;
        int64_t begun_ns = now_ns();
        int length = read(line, request, sizeof request);
        int answer = reply_to(request, length, reply);
        requests++;
        early += begun_ns < free_ns;
        strange += !answer;
        int64_t at_ns = begun_ns + length * character_ns + silence_ns + delay_ns;
        for (int place = 0; place < answer; place++) {
            free_ns = at_ns + (place + 1) * character_ns;
            wait_until(free_ns);
            if (write(line, reply + place, 1) != 1)
                return 1;
        }
        free_ns += silence_ns;
    }
    printf("requests %ld early %ld strange %ld\n", requests, early, strange);
    return 0;
}
