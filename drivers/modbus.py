"""Modbus RTU answers in a stream of bytes, and requests; shared by what speaks it. Knows no meaning of any register.

The frames are those of Modbus over Serial Line V1.02 and the Modbus Application Protocol V1.1b3; pymodbus builds the
requests and computes the CRC.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pymodbus.pdu import ModbusPDU

#: Set in the function code of an answer that is a refusal.
EXCEPTION = 0x80
_EXCEPTION_LENGTH = 5
_CRC_LENGTH = 2


def build_request(request: ModbusPDU) -> bytes:
    """Return the RTU frame of a request."""
    from pymodbus.framer import FramerRTU
    from pymodbus.pdu import DecodePDU

    return FramerRTU(DecodePDU(is_server=False)).buildFrame(request)


class AnswerFinder:
    """Finds the answers of one device by address, function, length and CRC.

    `expected` says for each function how the answer goes on after the function code, and how many bytes follow that,
    without the CRC. An exception answer of any of these functions is found too. What does not check is dropped a byte
    at a time until something does. Each byte is looked at a bounded number of times, and at most one frame is held.
    """

    def __init__(self, device: int, expected: dict[int, tuple[bytes, int]]) -> None:
        from pymodbus.framer import FramerRTU  # here, as it costs a tenth of a second

        self.skipped = 0
        """How many bytes so far were no frame."""
        self._crc = FramerRTU.compute_CRC
        self._lengths: list[tuple[bytes, int]] = []
        for function, (follows, more) in expected.items():
            head = bytes((device, function)) + follows
            self._lengths.append((head, len(head) + more + _CRC_LENGTH))
            self._lengths.append((bytes((device, function | EXCEPTION)), _EXCEPTION_LENGTH))
        self._longest_head = max(len(head) for head, _ in self._lengths)
        self._buffer = b""

    @property
    def holds_nothing(self) -> bool:
        """Whether what comes next begins a frame."""
        return not self._buffer

    def whole(self, chunk: bytes) -> bytes | None:
        """Return the frame, without its CRC, that a chunk is and no more, None where it is none. Nothing is taken."""
        frame = chunk[:-_CRC_LENGTH]
        alone = self._frame_length(chunk[: self._longest_head]) == len(chunk) > 1
        return frame if alone and self._crc(frame) == int.from_bytes(chunk[-_CRC_LENGTH:], "big") else None

    def feed(self, data: bytes) -> list[bytes]:
        """Take the next bytes, cut anywhere; return the frames they complete, without their CRC."""
        buffer = self._buffer + data
        frames = []
        at = 0
        while (left := len(buffer) - at) > 0:
            length = self._frame_length(buffer[at : at + self._longest_head])
            if length > left:
                break
            frame = buffer[at : at + length]
            if length == 1 or self._crc(frame[:-_CRC_LENGTH]) != int.from_bytes(frame[-_CRC_LENGTH:], "big"):
                self.skipped += 1
                at += 1
                continue
            at += length
            frames.append(frame[:-_CRC_LENGTH])
        self._buffer = buffer[at:]
        return frames

    def finish(self) -> None:
        """Count an unfinished frame as skipped."""
        self.skipped += len(self._buffer)
        self._buffer = b""

    def _frame_length(self, start: bytes) -> int:
        """Return how long a frame that begins so is; 1 if none does."""
        for head, length in self._lengths:
            if start.startswith(head) or head.startswith(start):
                return length
        return 1
