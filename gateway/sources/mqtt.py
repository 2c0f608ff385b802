"""
Readings from an MQTT broker: what instruments of a genset or a cab publish, one topic at a time.

Promises: a message is acknowledged to the broker only once its reading is on disk, and the session outlives
the connection, so no message with QoS 1 is lost between broker and spool, whichever process is killed. A
repeated message with a time of its own is recognised and appended once. An unreadable message is
reported and counted, and so is one that can be read in part: what can be read of it is kept. Over TLS the
broker is verified; a password is sent over TLS or loopback only.
Leaves to others: starting again after a lost connection, with growing waits (`gateway.commands.feed`).

A message without `at` is stamped on arrival. A broker that stored it while the machine was off delivers it
late, and a kill can bring it twice: let publishers send `at`, or set `qos` to 0 for topics of bare numbers.
A retained message is older than our subscription, no present measurement: reported, not taken.

Options: `host`, `port` (1883, with TLS 8883); `client`: the name under which the broker keeps the session,
one for each gateway; `topics`: topic -> "quantity unit" for messages that are one number, or -> a table of
member -> "quantity unit" for messages that are JSON objects (`at` and `at_uncertainty_s` as in `ndjson`);
`pass_over`: members that are known and not wanted; `qos` 0 or 1 (1); `user`, `password_file`; `tls`,
`ca_file`, `certificate_file`, `certificate_key_file`. Needs the package `paho-mqtt`.

MQTT 3.1.1 (OASIS Standard): acknowledging section 4.3.2, sessions section 3.1.2.4, retained section 3.3.1.3.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from cleanside.gateway.errors import NotAReading, SourceAway, SourceWrong, why
from cleanside.gateway.private import read_secret
from cleanside.gateway.sources import Context, Emit
from cleanside.gateway.sources.objects import LONGEST_BYTES, Objects, ReadObject, is_number
from cleanside.gateway.sources.options import Options
from cleanside.gateway.sources.resent_messages import MOST_ON_THE_WAY, Repeats
from cleanside.gateway.this_machine import is_loopback
from cleanside.gateway.timing.clock import Clock
from cleanside.gateway.uplink.tls import verified
from cleanside.gateway.wire import BatchRefused, Reading, load_json

if TYPE_CHECKING:
    from paho.mqtt.client import Client, MQTTMessage
    from paho.mqtt.enums import MQTTErrorCode

KEEP_ALIVE_S: Final = 60  # chosen: the loss of the broker is noticed within a minute and a half
_LOOK_S: Final = 0.2  # how soon a stop is noticed
_ANSWER_WITHIN_S: Final = 10.0  # until a broker has to have taken connection and topics (chosen)
_AT_ONCE: Final = MOST_ON_THE_WAY // 2  # messages a commit

#: one message's text as a reading; raises ValueError or BatchRefused
Read = Callable[[bytes], ReadObject]


class MqttSource:
    """Topics of one broker."""

    def __init__(self, options: Mapping[str, Any], context: Context) -> None:
        """Raises SourceWrong for options that cannot work, or where paho-mqtt is not installed."""
        given = Options(context.name, options)
        self._context = context
        self._host = given.needed("host")
        self._client_id = given.needed("client")
        self._topics = _topics(given)
        self._qos = given.whole("qos", 1, lowest=0, highest=1)
        self._user = given.text("user")
        self._password_file = given.path("password_file")
        self._tls = given.switch("tls")
        self._files = {n: given.path(n) for n in ("ca_file", "certificate_file", "certificate_key_file")}
        self._port = given.whole("port", 8883 if self._tls else 1883, lowest=1, highest=65_535)
        given.done()
        self._check(given)
        self._paho = _paho(context.name)
        self._repeats = Repeats(None, context.clock)

    def _check(self, given: Options) -> None:
        if self._password_file is not None and self._user is None:
            raise given.wrong("password_without_user")
        if self._password_file is not None and not self._tls and not is_loopback(self._host):
            raise given.wrong("password_in_the_clear", host=self._host)
        if any(self._files.values()) and not self._tls:
            raise given.wrong("certificates_without_tls")

    # ------------------------------------------------------------ one connection

    def run(self, emit: Emit, stop: threading.Event) -> None:
        """Connect and take messages until `stop`. Raises SourceAway when the broker is lost."""
        self._repeats = Repeats(self._context.mark(), self._context.clock)
        inbox: list[MQTTMessage] = []
        greeting = _Greeting([(topic, self._qos) for topic in self._topics], self._context.clock)
        client = self._connected(inbox, greeting)
        try:
            while not stop.is_set():
                before = len(inbox)
                greeting.check(client.loop(0.0 if inbox else _LOOK_S))
                if inbox and (len(inbox) == before or len(inbox) >= _AT_ONCE):
                    self._take(client, inbox, emit)
                    inbox.clear()
        finally:
            client.disconnect()  # the session stays, and with it what was not acknowledged

    def _connected(self, inbox: list[MQTTMessage], greeting: _Greeting) -> Client:
        client: Client = self._paho.Client(
            self._paho.CallbackAPIVersion.VERSION2,
            client_id=self._client_id,
            clean_session=False,
            protocol=self._paho.MQTTv311,
            manual_ack=True,
        )
        if self._user is not None:
            client.username_pw_set(self._user, self._password())
        if self._tls:
            client.tls_set_context(verified(**self._files, where=f"source {self._context.name}"))
        client.on_connect = greeting.on_connect
        client.on_subscribe = greeting.on_subscribe
        client.on_message = lambda _client, _userdata, message: inbox.append(message)
        try:
            client.connect(self._host, self._port, keepalive=KEEP_ALIVE_S)
        except OSError as error:
            raise SourceAway("broker_away", host=self._host, port=self._port, why=why(error)) from error
        return client

    def _password(self) -> str | None:
        """The password, read for each connection: a new one is used without a restart."""
        if self._password_file is None:
            return None
        return read_secret(self._password_file, check="password_file")

    # ------------------------------------------------------------ messages

    def _take(self, client: Client, messages: Sequence[MQTTMessage], emit: Emit) -> None:
        """Append the readings of these, and only then acknowledge them."""
        readings = [found for message in messages if (found := self._reading(client, message)) is not None]
        if readings:
            # With a mark it returns only once the readings are on disk, and waits while the disk fails.
            emit(readings, mark=self._repeats.mark())
        for message in messages:
            client.ack(message.mid, message.qos)

    def _reading(self, client: Client, message: MQTTMessage) -> Reading | None:
        read = self._topics.get(message.topic)
        if read is None:  # of an earlier life with other topics
            client.unsubscribe(message.topic)
        if read is None or message.retain:
            unwanted = NotAReading("topic_unknown" if read is None else "message_retained")
            self._context.report_unwanted("message_not_taken", reason=str(unwanted), **_shown(message))
            return None
        try:
            if len(message.payload) > LONGEST_BYTES:
                raise NotAReading("message_too_long", bytes=len(message.payload), most=LONGEST_BYTES)
            reading, left_out = read(bytes(message.payload))
        except (ValueError, BatchRefused) as error:
            self._context.report("message_not_read", reason=str(error), **_shown(message))
            return None
        if left_out:
            self._context.report_part("message_read_in_part", reason=left_out, **_shown(message))
        said = message.topic.encode() + b"\0" + message.payload  # no topic has a zero byte
        # One text on one topic at one instant of its own is one reading; bare numbers may well be equal.
        return None if reading.at is not None and self._repeats.is_repeat(said) else reading


def _shown(message: MQTTMessage) -> dict[str, str]:
    return {"topic": message.topic, "message": message.payload[:80].decode("utf-8", "replace")}


class _Greeting:
    """The broker's answers to the connection and to each topic; without a yes no message will arrive."""

    def __init__(self, topics: list[tuple[str, int]], clock: Clock) -> None:
        self._topics = topics
        self._clock = clock
        self._began_us = clock.since_boot_us()
        self._problem: SourceAway | None = None
        self._is_done = False

    def on_connect(self, client: Client, _userdata: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        """The broker took the connection, or not."""
        if reason.is_failure:
            self._problem = SourceAway("broker_refuses_connection", why=str(reason))
        else:
            client.subscribe(self._topics)

    def on_subscribe(
        self, _client: Client, _userdata: Any, _mid: int, reasons: Any, _properties: Any
    ) -> None:
        """The broker took each topic, or not."""
        answers = zip(self._topics, reasons, strict=False)
        if refused := [topic for (topic, _), reason in answers if reason.is_failure]:
            self._problem = SourceAway("broker_refuses_topics", topics=", ".join(refused))
        self._is_done = True

    def check(self, code: MQTTErrorCode) -> None:
        """After each look. Raises SourceAway where the broker said no, says nothing, or is gone."""
        if self._problem is not None:
            raise self._problem
        if code:
            from paho.mqtt.client import error_string

            raise SourceAway("broker_lost", why=error_string(code))
        waited_s = (self._clock.since_boot_us() - self._began_us) / 1e6
        if not self._is_done and waited_s > _ANSWER_WITHIN_S:
            raise SourceAway("broker_silent", waited_s=waited_s)


def _topics(given: Options) -> dict[str, Read]:
    passed_over = frozenset(given.texts("pass_over"))
    topics = given.table("topics")
    if not topics:
        raise given.wrong("topics_missing")
    return {topic: _reader(given, topic, meaning, passed_over) for topic, meaning in topics.items()}


def _reader(given: Options, topic: str, meaning: Any, passed_over: frozenset[str]) -> Read:
    if not 0 < len(topic.encode()) <= 65_535 or set(topic) & set("+#\0"):
        raise given.wrong("topic_not_one", topic=topic[:64])
    where = f'topics."{topic}"'
    if isinstance(meaning, str):
        return _number_reader(*given.quantity(where, meaning))
    if not isinstance(meaning, Mapping) or not meaning:
        raise given.wrong("topic_meaning_unknown", where=where, meaning=meaning)
    members = {str(name): given.quantity(f"{where}.{name}", text) for name, text in meaning.items()}
    if len(dict(members.values())) != len(members):
        raise given.wrong("quantity_twice_in_topic", where=where)
    if reserved := {"at", "at_uncertainty_s"} & members.keys():
        raise given.wrong("member_tells_time", where=where, reserved=", ".join(sorted(reserved)))
    return Objects(
        members,
        add_to=f"{where}, or to pass_over",
        for_unknown=f"add it to {where} with the quantity that it is, or to pass_over if it is not wanted",
        passed_over=passed_over,
    ).read


def _number_reader(quantity: str, unit: str) -> Read:
    units = {quantity: unit}

    def read(text: bytes) -> ReadObject:
        value = load_json(text)
        if not is_number(value):
            raise NotAReading("value_not_a_number", value=str(value)[:40])
        return ReadObject(Reading(values={quantity: value}, units=units))

    return read


def _paho(source: str) -> Any:
    try:
        import paho.mqtt.client as paho
    except ImportError as error:
        raise SourceWrong("package_missing_mqtt", source=source) from error
    return paho
