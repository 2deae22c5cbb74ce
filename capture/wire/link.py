"""A serial port, by any pyserial URL, as a stream of messages."""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from urllib.parse import parse_qs, urlsplit

import serial

from capture.wire.codec import (
    Acknowledge,
    Command,
    CommandKind,
    Decoder,
    Description,
    Message,
    Result,
)
from capture.wire.codec import encode as encode_message
from runtime.errors import PortError

__all__ = ["SerialLink"]

_READ_BYTES = 65_536
_SILENCE_S = 0.05  # how long one read waits for the first byte
_REPEAT_S = 0.5
_RECONNECT_S = 120.0
_ANSWER_S = 15.0  # an emulated sensor on a busy machine takes seconds to begin
_NETWORKED = ("socket", "rfc2217")
_LOG_LEVELS = ("debug", "info", "warning", "error")  # what pyserial's URLs may ask for


class SerialLink:
    """An open port with a decoder behind it.

    Nothing is queued here: what the caller does not take stays in the operating system's buffer,
    and when that is full the port's own flow control holds the sensor back, or the sensor counts
    what it could not send as overruns. Either way nothing is lost unseen.

    Parameters
    ----------
    url : str
        What pyserial opens: a device name, ``socket://``, ``rfc2217://``, ``loop://``.
    baud : int
        Bits per second; without meaning for USB, pseudo-terminals and sockets.

    Attributes
    ----------
    arrived_s : float
        When the bytes behind the last messages were taken from the system, on the clock of
        `time.perf_counter`; decoding them comes after it.

    Raises
    ------
    PortError
        The port cannot be opened, or another link holds it; from any method, the port is gone.
    """

    def __init__(self, url: str, baud: int = 921_600) -> None:
        self.url = url
        self.baud = baud
        self.decoder = Decoder()
        self.arrived_s = 0.0
        # Not from 0: the sensor would take it for a repeat of another program's last command.
        self._command = time.monotonic_ns() // 1000 % 2**31
        self._port = self._open()

    def _open(self) -> serial.SerialBase:
        _check_url(self.url)
        try:
            # Alone: two programs on one port would each get half of what the sensor sends.
            return serial.serial_for_url(
                self.url, baudrate=self.baud, timeout=_SILENCE_S, exclusive=True
            )
        except (OSError, ValueError, AttributeError, KeyError, re.error) as error:
            # AttributeError: pyserial's answer to a URL whose parts are missing; KeyError: to an
            # option of loop:// that there is not; re.error: to a pattern of hwgrep:// that is none
            raise PortError(
                self.url,
                "the port",
                f"not open ({_reason(error)})",
                do="check the cable, the name and that no other program holds it",
            ) from None

    def read(self) -> list[Message]:
        """Wait a moment for bytes and return the messages they complete, perhaps none."""
        try:
            data = self._port.read(max(1, self._port.in_waiting))
            if data and self.url.startswith("socket:"):
                # A socket only tells that something waits, not how much: take the rest unasked.
                self._port.timeout = 0
                data += self._port.read(_READ_BYTES)
                self._port.timeout = _SILENCE_S
        except (OSError, TypeError) as error:
            # TypeError: pyserial reading a descriptor that was closed under it
            raise PortError(self.url, "the port", f"gone ({_reason(error)})") from None
        if not data:
            return []
        self.arrived_s = time.perf_counter()
        return self.decoder.feed(data)

    def send(self, command: Command) -> None:
        """Send one command as it is."""
        try:
            self._port.write(encode_message(command))
        except OSError as error:
            raise PortError(self.url, "the port", f"gone ({_reason(error)})") from None

    def next_number(self) -> int:
        """Return a number that no other command of this link has."""
        self._command += 1
        return self._command

    def ask(
        self,
        kind: CommandKind,
        value: int = 0,
        after: Callable[[Message], None] | None = None,
        stopped: Callable[[], bool] | None = None,
    ) -> Acknowledge:
        """Send a command and wait for its answer; repeat it while none comes.

        A repeated command keeps its number, so that the sensor carries it out once. Messages
        before the answer belong to what the sensor did before and are dropped; those that came
        together with the answer, behind it, go to `after`. `stopped` is asked meanwhile; true gives
        up.

        Raises
        ------
        PortError
            No answer came, the sensor refused, or `stopped` said to give up.
        """
        command = Command(kind, value, self.next_number())
        began = time.monotonic()
        repeat = 0.0
        while (now := time.monotonic()) < began + _ANSWER_S:
            if now >= repeat:
                self.send(command)
                repeat = now + _REPEAT_S
            answer: Acknowledge | None = None
            for message in self.read():
                if answer is not None:
                    if after is not None:
                        after(message)
                elif (
                    isinstance(message, Acknowledge)
                    and message.kind == kind
                    and message.sequence == command.sequence
                ):
                    answer = message
            if answer is not None:
                if answer.result != Result.DONE:
                    said = answer.result.name.lower().replace("_", " ")
                    raise PortError(
                        self.url, f"the answer to {kind.name}", f"refused: {said}", "done"
                    )
                return answer
            if stopped is not None and stopped():
                break
        raise PortError(
            self.url,
            "the sensor",
            f"silent for {now - began:.0f} s",
            "an answer",
            "check that the port is a sensor's and speaks protocol version 1",
        )

    def describe(self, stopped: Callable[[], bool] | None = None) -> Description:
        """Ask the sensor what it is; `stopped` as in `ask`.

        Raises
        ------
        PortError
            It does not say.
        """
        found: list[Description] = []

        def keep(message: Message) -> None:
            if isinstance(message, Description):
                found.append(message)

        self.ask(CommandKind.DESCRIBE, after=keep, stopped=stopped)
        give_up = time.monotonic() + _ANSWER_S
        while not found:
            if time.monotonic() > give_up:
                raise PortError(self.url, "the sensor", "silent", "its description")
            for message in self.read():
                keep(message)
        return found[-1]

    def reconnect(self, stopped: Callable[[], bool]) -> Description:
        """Wait up to two minutes for a port that is gone; return what the sensor there is.

        Parameters
        ----------
        stopped : callable
            Asked several times a second; true gives up.

        Raises
        ------
        PortError
            It did not come back, or `stopped` said to give up.
        """
        give_up = time.monotonic() + _RECONNECT_S
        while True:
            self._reopen(give_up, stopped)
            try:
                return self.describe(stopped)
            except PortError:  # there, but still starting, or gone again
                if time.monotonic() > give_up or stopped():
                    raise

    def _reopen(self, give_up: float, stopped: Callable[[], bool]) -> None:
        self.close()
        while True:
            try:
                self._port = self._open()
            except PortError:
                if time.monotonic() > give_up or stopped():
                    raise
                time.sleep(0.2)
            else:
                self.decoder.restart()
                return

    def close(self) -> None:
        """Close the port; harmless if it is gone."""
        try:
            self._port.close()
        except OSError:
            return  # an unplugged port cannot be closed in order; its descriptor is released

    def __enter__(self) -> SerialLink:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _check_url(url: str) -> None:
    """Refuse a URL whose parts are missing or wrong before pyserial meets it: PortError."""
    scheme, separator, _ = url.partition("://")
    if not separator:
        return
    try:
        parts = urlsplit(url)
        host, number, options = parts.hostname, parts.port, parse_qs(parts.query, True)
    except ValueError:  # half an IPv6 address, a number that is none or too large
        host, number, options = None, None, {}
    if scheme in _NETWORKED and not (host and number):
        raise PortError(
            url,
            "the port",
            "without a host and a number from 1 to 65535",
            f"a URL such as {scheme}://127.0.0.1:4000",
        )
    if not set(options.get("logging", ())) <= set(_LOG_LEVELS):
        raise PortError(url, "the option logging", "unknown", f"one of {', '.join(_LOG_LEVELS)}")


def _reason(error: Exception) -> str:
    if isinstance(error, KeyError):
        return "the URL has an option that is not known"
    text = getattr(error, "strerror", None) or str(error) or type(error).__name__
    return str(text).splitlines()[0][:120]
