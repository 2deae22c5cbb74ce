"""The few packets of GDB's remote protocol by which a stopped program is written, read and run.

Source: "Debugging with GDB", appendix "GDB Remote Serial Protocol" (from memory): a packet is
``$data#sum``, two hexadecimal digits of the sum of its bytes, and is answered by ``+`` and, for
those used here, by a packet.
"""

from __future__ import annotations

import socket
import struct
from pathlib import Path

__all__ = ["GdbRemote"]

_CHUNK = 1024
"""Bytes of memory in one packet: twice as many digits, below the 4,096 that QEMU takes."""


class GdbRemote:
    """A connection to a stopped program.

    Raises
    ------
    OSError
        Nobody listens, the other side went away, took longer than `timeout_s`, or refused a packet.
    """

    def __init__(self, path: Path, timeout_s: float) -> None:
        self._socket = socket.socket(socket.AF_UNIX)
        self._socket.settimeout(timeout_s)
        self._got = b""
        try:
            self._socket.connect(str(path))
        except OSError:
            self._socket.close()
            raise

    def close(self) -> None:
        """Hang up."""
        self._socket.close()

    def ask(self, packet: str) -> str:
        """Send a packet and return its answer."""
        data = packet.encode("ascii")
        self._socket.sendall(b"$%b#%02x" % (data, sum(data) & 0xFF))
        while True:
            start = self._got.find(b"$")
            end = self._got.find(b"#", start + 1)
            if start >= 0 and end >= 0 and len(self._got) >= end + 3:
                break
            more = self._socket.recv(1 << 16)
            if not more:
                raise OSError("the program ended")
            self._got += more
        answer = self._got[start + 1 : end]
        self._got = self._got[end + 3 :]
        self._socket.sendall(b"+")
        return answer.decode("ascii")

    def _order(self, packet: str) -> None:
        """Send a packet that is answered by OK alone."""
        answer = self.ask(packet)
        if answer != "OK":
            raise OSError(f"{packet[:24]} was answered by '{answer[:24]}'")

    def describe(self) -> None:
        """Ask what registers there are: QEMU takes single ones only from who asked."""
        self.ask("qXfer:features:read:target.xml:0,ffb")

    def write(self, address: int, data: bytes) -> None:
        """Put bytes into memory."""
        for at in range(0, len(data), _CHUNK):
            part = data[at : at + _CHUNK]
            self._order(f"M{address + at:x},{len(part):x}:{part.hex()}")

    def read(self, address: int, n_bytes: int) -> bytes:
        """Return bytes of memory."""
        found = b""
        for at in range(0, n_bytes, _CHUNK):
            answer = self.ask(f"m{address + at:x},{min(_CHUNK, n_bytes - at):x}")
            if len(answer) % 2:  # an error is E and two digits
                raise OSError(f"memory at 0x{address + at:x} cannot be read")
            found += bytes.fromhex(answer)
        return found

    def set_register(self, number: int, value: int) -> None:
        """Put a word into a register, by its number in GDB's own order."""
        self._order(f"P{number:x}={struct.pack('<I', value).hex()}")

    def register(self, number: int) -> int:
        """Return a register of 32 bits."""
        answer = self.ask(f"p{number:x}")
        if len(answer) % 2:  # an error is E and two digits
            raise OSError(f"register {number} cannot be read")
        return int.from_bytes(bytes.fromhex(answer), "little")

    def stop_at(self, address: int, n_bytes: int) -> None:
        """Stop the program whenever it comes to an address; the length says which instruction."""
        self._order(f"Z0,{address:x},{n_bytes:x}")

    def run(self) -> str:
        """Let the program go on until it stops; returns how it stopped, two digits of a signal."""
        return self.ask("c")[1:3]

    def step(self) -> str:
        """Let the program execute one instruction; returns how it stopped."""
        return self.ask("s")[1:3]
