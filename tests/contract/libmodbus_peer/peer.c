/* A Modbus panel for the tests, by the independent library libmodbus.
 *
 *   peer tcp COUNT             on so many free ports of the loopback, with the same contents
 *   peer rtu DEVICE UNIT BAUD  8 data bits, even parity, 1 stop bit
 *
 * Standard input first scripts the contents, one line each, and ends with "serve":
 *   coil|discrete|input|holding ADDRESS VALUE
 *   flip ADDRESS EVERY       a discrete input changes with every so many requests
 * Then "ready PORT ..." is printed (0 for a serial line) and requests are answered until the process is
 * stopped. The tables have the sizes below; what lies beyond them is answered with exception 02.
 * On TCP any number of clients is served, up to what select() in the library can tell apart.
 */
#include <errno.h>
#include <modbus.h>
#include <netinet/in.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#define BITS 2500
#define REGISTERS 400
#define SOCKETS 1010

static int flip_address = -1, flip_every = 1;
static long asked;

static int fail(const char *what)
{
    fprintf(stderr, "%s: %s\n", what, modbus_strerror(errno));
    return 1;
}

static int script(modbus_mapping_t *map)
{
    char line[80], table[16];
    int address, value;
    while (fgets(line, sizeof line, stdin)) {
        if (strncmp(line, "serve", 5) == 0)
            return 0;
        if (sscanf(line, "flip %d %d", &address, &value) == 2 && address >= 0 && address < BITS
            && value > 0) {
            flip_address = address;
            flip_every = value;
            continue;
        }
        if (sscanf(line, "%15s %d %d", table, &address, &value) != 3 || address < 0)
            break;
        if (strcmp(table, "coil") == 0 && address < BITS)
            map->tab_bits[address] = value != 0;
        else if (strcmp(table, "discrete") == 0 && address < BITS)
            map->tab_input_bits[address] = value != 0;
        else if (strcmp(table, "input") == 0 && address < REGISTERS)
            map->tab_input_registers[address] = value;
        else if (strcmp(table, "holding") == 0 && address < REGISTERS)
            map->tab_registers[address] = value;
        else
            break;
    }
    fprintf(stderr, "script not understood\n");
    return 1;
}

/* One request; 0 when the other side of a TCP connection has gone. */
static int answer(modbus_t *panel, modbus_mapping_t *map)
{
    uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
    int length = modbus_receive(panel, query);
    if (length < 0)
        return errno == EMBBADCRC;
    if (length > 0) {
        if (flip_address >= 0 && ++asked % flip_every == 0)
            map->tab_input_bits[flip_address] ^= 1;
        modbus_reply(panel, query, length, map);
    }
    return 1;
}

static int serve_clients(modbus_t *panel, modbus_mapping_t *map, struct pollfd *all, int listeners)
{
    int count = listeners, place;
    for (;;) {
        if (poll(all, count, -1) < 0)
            return fail("poll");
        for (place = count - 1; place >= listeners; place--) {
            if (!all[place].revents)
                continue;
            modbus_set_socket(panel, all[place].fd);
            if (!answer(panel, map)) {
                close(all[place].fd);
                all[place] = all[--count];
            }
        }
        for (place = 0; place < listeners; place++) {
            if (!all[place].revents || count == SOCKETS)
                continue;
            if (modbus_tcp_accept(panel, &all[place].fd) < 0)
                return fail("accept");
            all[count++] = (struct pollfd) {.fd = modbus_get_socket(panel), .events = POLLIN};
        }
    }
}

int main(int count, char **given)
{
    modbus_t *panel;
    modbus_mapping_t *map = modbus_mapping_new(BITS, BITS, REGISTERS, REGISTERS);
    if (map == NULL || script(map))
        return 1;
    if (count == 3 && strcmp(given[1], "tcp") == 0) {
        static struct pollfd all[SOCKETS];
        struct sockaddr_in bound;
        socklen_t size = sizeof bound;
        int place, listeners = atoi(given[2]);
        if (listeners < 1 || listeners >= SOCKETS)
            return 2;
        panel = modbus_new_tcp("127.0.0.1", 0);
        if (panel == NULL)
            return fail("new");
        printf("ready");
        for (place = 0; place < listeners; place++) {
            all[place] = (struct pollfd) {.fd = modbus_tcp_listen(panel, 8), .events = POLLIN};
            if (all[place].fd < 0)
                return fail("listen");
            if (getsockname(all[place].fd, (struct sockaddr *) &bound, &size))
                return fail("getsockname");
            printf(" %d", ntohs(bound.sin_port));
        }
        printf("\n");
        fflush(stdout);
        return serve_clients(panel, map, all, listeners);
    }
    if (count == 5 && strcmp(given[1], "rtu") == 0) {
        panel = modbus_new_rtu(given[2], atoi(given[4]), 'E', 8, 1);
        if (panel == NULL || modbus_set_slave(panel, atoi(given[3])) || modbus_connect(panel))
            return fail("open");
        printf("ready 0\n");
        fflush(stdout);
        for (;;)
            answer(panel, map);
    }
    fprintf(stderr, "usage: peer tcp COUNT | peer rtu DEVICE UNIT BAUD\n");
    return 2;
}
