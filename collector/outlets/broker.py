"""One connection to an MQTT 5 broker: a paho client that is used once and thrown away.

The client's own queue, reconnection and receipts are not used. Its queue lives in memory, after a
reconnection it sends more than the window at once, and an exception in a callback ends its network
thread in silence. So: a new client for every connection, nothing published unless connected, and
callbacks that do no more than leave news for the event loop.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import ssl
import sys
import threading
from collections import deque
from collections.abc import Callable

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from collector.errors import OutletError
from collector.outlets.news import Acknowledged, Deaf, Ended, News, Opened, Spoken
from collector.outlets.threads import in_daemon_thread
from collector.outlets.topics import Message
from collector.settings import MqttSettings

CONNECT_TIMEOUT_S = 5.0
LARGEST_WINDOW = 65_535  # MQTT 5.0, 3.2.2.3.3: Receive Maximum where the broker names none
LARGEST_SPOKEN_BYTES = 32 << 10  # beyond it the broker keeps a message from us (3.1.2.11.4)
MOST_NEWS = 1_500
PACKET_OVERHEAD = 5 + 2 + 2 + 1  # fixed header, topic length, identifier, property length

# MQTT 5.0, 3.2.2.2 and 3.14.2.1: reasons that stay until a person changes something.
NEEDS_A_PERSON = frozenset(
    {
        0x84,  # unsupported protocol version
        0x85,  # client identifier not valid
        0x86,  # bad user name or password
        0x87,  # not authorised
        0x8A,  # banned
        0x8C,  # bad authentication method
        0x8E,  # session taken over
        0x9A,  # retain not supported
        0x9B,  # QoS not supported
    }
)


class BrokerConnection:
    """A single attempt to connect, and the connection if it succeeds.

    Args:
        settings: where the broker is, and how we are known there.
        client_id: MQTT client identifier.
        will: published by the broker if the connection is lost.
        wake: called on the event loop when ``news`` holds something.
        listen: filter of the topics to listen to, or None.

    Raises:
        OutletError: a certificate or key cannot be used.
    """

    def __init__(
        self,
        settings: MqttSettings,
        client_id: str,
        will: Message,
        wake: Callable[[], None],
        listen: str | None = None,
    ) -> None:
        self.news: deque[News] = deque()
        self._wake = wake
        self._loop = asyncio.get_running_loop()
        self._poked = False
        self._dropped = False
        self._listen = listen
        self._place = f"{settings.host}:{settings.port}"
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=client_id,
            protocol=MQTTProtocolVersion.MQTTv5,
            reconnect_on_failure=False,
        )
        client.suppress_exceptions = True
        client.connect_timeout = CONNECT_TIMEOUT_S
        client.max_inflight_messages_set(0)  # the window is kept by ``Delivery``
        client.max_queued_messages_set(0)
        client.will_set(will.topic, will.payload, qos=1, retain=will.retain)
        if settings.user is not None:
            password = settings.password
            client.username_pw_set(
                settings.user, password.get_secret_value() if password is not None else None
            )
        if settings.tls:
            client.tls_set_context(_tls(settings))
        client.on_socket_open = self._on_socket_open
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        limits: Properties | None = None
        if listen is not None:
            client.on_message = self._on_message
            client.on_subscribe = self._on_subscribe
            limits = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            limits.MaximumPacketSize = LARGEST_SPOKEN_BYTES
        client.connect_async(
            settings.host, settings.port, settings.keepalive_s, clean_start=True, properties=limits
        )
        self._client = client
        client.loop_start()

    def publish(self, message: Message) -> int:
        """Hand a message to the network thread; the identifier its acknowledgement will carry.

        Raises:
            OutletError: there is no connection.
        """
        sent = self._client.publish(message.topic, message.payload, qos=1, retain=message.retain)
        if sent.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            raise OutletError(f"the connection to {self._place} is gone")
        return sent.mid

    async def part(self) -> None:
        """Say goodbye, so that the broker drops the will; returns when that has been sent."""
        self._dropped = True
        self._client.disconnect()
        await in_daemon_thread(self._client.loop_stop)

    def cut(self) -> None:
        """Give the connection up without a word, as one that no longer answers."""
        self._dropped = True
        raw = self._client.socket()
        if isinstance(raw, socket.socket):  # first, so that no goodbye gets through
            with contextlib.suppress(OSError):
                raw.shutdown(socket.SHUT_RDWR)
        with contextlib.suppress(OSError, ValueError):
            self._client.disconnect()  # ends the attempts
        threading.Thread(target=self._client.loop_stop, daemon=True, name="mqtt end").start()

    # --- on the network thread ------------------------------------------------------------------

    def _tell(self, news: News) -> None:
        self.news.append(news)
        if not self._poked:
            self._poked = True
            with contextlib.suppress(RuntimeError):  # the loop has ended
                self._loop.call_soon_threadsafe(self._poke)

    def _poke(self) -> None:  # on the loop; clearing first means that no news is left lying
        self._poked = False
        self._wake()

    def _on_socket_open(self, client: Client, data: object, opened: object) -> None:
        # Otherwise the last message of a bunch waits for the far side's delayed acknowledgement
        # (RFC 896 meets RFC 1122, 4.2.3.2).
        if isinstance(opened, socket.socket):
            with contextlib.suppress(OSError):
                opened.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def _on_connect(
        self,
        client: Client,
        data: object,
        flags: ConnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if self._dropped:  # it got through after it had been given up
            client.disconnect()
        elif reason.is_failure:
            self._tell(Ended(f"{self._place} refuses us: {reason}", reason.value in NEEDS_A_PERSON))
        else:
            self._tell(
                Opened(
                    window=_limit(properties, "ReceiveMaximum", LARGEST_WINDOW),
                    largest_packet=_limit(properties, "MaximumPacketSize", 0) or None,
                    retains=_limit(properties, "RetainAvailable", 1) != 0,
                    confirms=_limit(properties, "MaximumQoS", 1) != 0,
                )
            )
            if self._listen is not None:
                # MQTT 5.0, 3.8.3.1: of what was retained nothing is wanted, and live messages keep
                # their flag, so that one that the broker would repeat for ever can be told.
                wanted = SubscribeOptions(
                    qos=1, noLocal=True, retainAsPublished=True,
                    retainHandling=SubscribeOptions.RETAIN_DO_NOT_SEND,
                )  # fmt: skip
                client.subscribe(self._listen, options=wanted)

    def _on_subscribe(
        self,
        client: Client,
        data: object,
        identifier: int,
        reasons: list[ReasonCode],
        properties: Properties | None,
    ) -> None:
        for reason in reasons:
            if reason.is_failure:
                self._tell(Deaf(f"{self._place} does not let us listen: {reason}"))

    def _on_message(self, client: Client, data: object, message: MQTTMessage) -> None:
        if len(self.news) < MOST_NEWS:  # beyond it the sender gets no answer, and may say it again
            self._tell(Spoken(message.topic, bytes(message.payload), message.retain))

    def _on_connect_fail(self, client: Client, data: object) -> None:
        error = sys.exc_info()[1]  # paho calls this while it handles the exception
        client.disconnect()  # it would try again by itself
        untrusted = isinstance(error, ssl.SSLCertVerificationError)
        self._tell(Ended(f"no connection to {self._place}: {_plain(error)}", untrusted))

    def _on_disconnect(
        self,
        client: Client,
        data: object,
        flags: DisconnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if flags.is_disconnect_packet_from_server:
            held = reason.value in NEEDS_A_PERSON
            why = f"{self._place} ended the connection: {reason}"
            if reason.value == 0x8E:
                why += " (does another program use our client identifier?)"
            self._tell(Ended(why, held))
        else:
            self._tell(Ended(f"the connection to {self._place} was lost", False))

    def _on_publish(
        self,
        client: Client,
        data: object,
        identifier: int,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        why = str(reason) if reason.is_failure else ""
        self._tell(Acknowledged(identifier, reason.value, why))


def _tls(settings: MqttSettings) -> ssl.SSLContext:
    named = (settings.authority_file, settings.certificate_file, settings.key_file)
    try:
        context = ssl.create_default_context(cafile=settings.authority_file)
        if settings.certificate_file is not None:
            context.load_cert_chain(settings.certificate_file, settings.key_file)
    except OSError as error:  # ssl.SSLError is one
        files = ", ".join(str(path) for path in named if path is not None)
        raise OutletError(f"cannot use the TLS files {files}: {_plain(error)}") from error
    return context


def _limit(properties: Properties | None, name: str, default: int) -> int:
    return int(getattr(properties, name, default))


def _plain(error: BaseException | None) -> str:
    if isinstance(error, ssl.SSLCertVerificationError):
        return (
            f"its certificate is not trusted ({error.verify_message}); it has to be signed by the "
            "authority of 'mqtt.authority_file', or one the system knows, valid today and made "
            "out to 'mqtt.host'"
        )
    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    return str(error) or type(error).__name__
