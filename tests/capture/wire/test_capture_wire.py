"""The wire protocol, against its published parts and against every kind of damage."""

from __future__ import annotations

import tracemalloc
import zlib

import numpy as np
import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st

from capture.wire.codec import (
    MAX_PACKET,
    Acknowledge,
    Command,
    CommandKind,
    Decoder,
    Description,
    Exposure,
    Message,
    Result,
    Status,
    decode,
    encode,
)
from capture.wire.packing import pack_counts, unpack_counts
from runtime.errors import FormatError
from runtime.sensor import Aperture, Sensor

SENSOR = Sensor("lensless32", 32, 32)
U32 = st.integers(0, 2**32 - 1)
U64 = st.integers(0, 2**64 - 1)
TEXT = st.text(st.characters(categories=["L", "N"]), max_size=15)


@st.composite
def exposures(draw: st.DrawFn) -> Exposure:
    bits = draw(st.integers(4, 16))
    n_rows, n_cols = draw(st.integers(1, 9)), draw(st.integers(1, 9))
    seed = draw(U32)
    counts = np.random.default_rng(seed).integers(0, 1 << bits, (n_rows, n_cols), np.uint16)
    first_row = draw(st.integers(0, 256 - n_rows))
    return Exposure(draw(st.booleans()), draw(U32), draw(U64), counts, bits, first_row)


MESSAGES = st.one_of(
    exposures(),
    st.builds(Description, st.just(SENSOR), TEXT, TEXT, st.integers(0, 224), U64),
    st.builds(
        Status,
        U64,
        st.integers(-4000, 12500).map(lambda steps: steps / 100),
        st.integers(0, 65535),
        U32,
    ),
    st.builds(Command, st.sampled_from(CommandKind), U32, U32),
    st.builds(Acknowledge, st.integers(0, 255), st.sampled_from(Result), U32, U32, U64),
)


def same(a: Message, b: Message) -> bool:
    if isinstance(a, Exposure) and isinstance(b, Exposure):
        fields = ("lit", "sequence", "time_us", "bits", "first_row")
        return np.array_equal(a.counts, b.counts) and all(
            getattr(a, name) == getattr(b, name) for name in fields
        )
    return a == b


def exposure(sequence: int, lit: bool = True) -> Exposure:
    counts = np.full((3, 5), sequence % 2**12, np.uint16)
    return Exposure(lit, sequence, 1000 * sequence, counts)


def test_crc_is_the_published_one() -> None:
    """The checksum gives the check value of ITU-T V.42 / IEEE 802.3 CRC-32 for 123456789."""
    assert zlib.crc32(b"123456789") == 0xCBF43926
    raw = cobs.decode(encode(Command(CommandKind.STOP, 7, 9))[:-1])
    assert zlib.crc32(raw) == 0x2144DF1C  # residue of a sound packet, same standard (from memory)


# Cheshire and Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Trans. Networking 7(2), 1999:
# the rules of section III and its example packet (figure 3), as widely reprinted.
COBS_EXAMPLES = [
    ("00", "01 01"),
    ("00 00", "01 01 01"),
    ("11 22 00 33", "03 11 22 02 33"),
    ("11 22 33 44", "05 11 22 33 44"),
    ("11 00 00 00", "02 11 01 01 01"),
    (
        "45 00 00 2C 4C 79 00 00 40 06 4F 37",
        "02 45 01 04 2C 4C 79 01 05 40 06 4F 37",
    ),
    (bytes(range(1, 255)).hex(), "FF" + bytes(range(1, 255)).hex()),
    (bytes(range(1, 256)).hex(), "FF" + bytes(range(1, 255)).hex() + "02FF"),
]


@pytest.mark.parametrize(("plain", "stuffed"), COBS_EXAMPLES)
def test_framing_follows_the_published_examples(plain: str, stuffed: str) -> None:
    """The framing is COBS as published, including runs of 254 bytes without a zero."""
    assert cobs.encode(bytes.fromhex(plain)) == bytes.fromhex(stuffed)
    assert cobs.decode(bytes.fromhex(stuffed)) == bytes.fromhex(plain)


# GenICam Pixel Format Naming Convention 2.1, layouts Mono10p and Mono12p (from memory):
# the pixels follow each other as one bit stream, lowest bit first.
def test_pixels_are_packed_as_the_naming_convention_says() -> None:
    """Ten and twelve bit pixels are packed as Mono10p and Mono12p."""
    assert pack_counts(np.array([0xABC, 0x123], np.uint16), 12) == bytes.fromhex("BC3A12")
    pixels = np.array([0x3FF, 0x000, 0x2AA, 0x001], np.uint16)
    stream = sum(int(value) << (10 * i) for i, value in enumerate(pixels))
    assert pack_counts(pixels, 10) == stream.to_bytes(5, "little")


@given(exposures())
def test_packing_is_undone(message: Exposure) -> None:
    """Unpacking gives back the counts, and the packed form is the bit stream of the counts."""
    flat = message.counts.ravel()
    packed = pack_counts(flat, message.bits)
    stream = sum(int(value) << (message.bits * i) for i, value in enumerate(flat))
    assert int.from_bytes(packed, "little") == stream
    assert np.array_equal(unpack_counts(packed, flat.size, message.bits), flat)


@given(st.lists(MESSAGES, max_size=6), st.lists(st.integers(1, 40), min_size=1))
def test_any_chunking_gives_the_messages_back(messages: list[Message], sizes: list[int]) -> None:
    """Messages come back the same however the bytes are cut."""
    data = b"".join(encode(message) for message in messages)
    whole = [decode(packet) for packet in data.split(b"\0")[:-1]]
    assert all(m is not None and same(m, n) for m, n in zip(whole, messages, strict=True))
    decoder, once = Decoder(), Decoder()
    got: list[Message] = []
    start = 0
    while start < len(data):
        size = sizes[start % len(sizes)]
        got += decoder.feed(data[start : start + size])
        start += size
    expected = once.feed(data)
    assert all(same(a, b) for a, b in zip(got, expected, strict=True))
    assert decoder.counts == once.counts
    assert decoder.counts.corrupt == 0


@given(st.integers(0, 9), st.data())
def test_noise_costs_at_most_one_packet(hit: int, data: st.DataObject) -> None:
    """A burst of noise inside one packet costs that packet and no other, and is counted."""
    packets = [encode(exposure(i // 2, i % 2 == 0)) for i in range(10)]
    packet = bytearray(packets[hit])
    start = data.draw(st.integers(0, len(packet) - 2))
    noise = data.draw(st.binary(min_size=1, max_size=4))[: len(packet) - 1 - start]
    damaged = packet[:start] + noise + packet[start + len(noise) :]
    decoder = Decoder()
    got = decoder.feed(b"".join(packets[:hit]) + damaged + b"".join(packets[hit + 1 :]))
    if damaged == packet:
        assert decoder.counts.good == 10
        return
    assert len(got) == 9
    assert decoder.counts.corrupt >= 1
    assert decoder.counts.missing == (hit < 9)


def test_every_flipped_bit_is_noticed() -> None:
    """No single flipped bit of a packet, nor a cut at any byte, gives a readout."""
    packet = encode(exposure(3))
    for place in range(8 * (len(packet) - 1)):
        flipped = bytearray(packet)
        flipped[place // 8] ^= 1 << place % 8
        assert Decoder().feed(bytes(flipped)) == []
    for length in range(len(packet) - 1):
        decoder = Decoder()
        assert decoder.feed(packet[:length] + b"\0") == []
        assert decoder.counts.corrupt == (length > 0)


def test_repeated_reordered_and_missing_are_told_apart() -> None:
    """Repeated exposures are dropped, reordered ones handed out, missing ones counted."""
    decoder = Decoder()
    order = [0, 1, 3, 2, 2, 7]  # index = 2 * sequence + dark
    data = b"".join(encode(exposure(i // 2, i % 2 == 0)) for i in order)
    got = [m for m in decoder.feed(data) if isinstance(m, Exposure)]
    assert [2 * m.sequence + (not m.lit) for m in got] == [0, 1, 3, 2, 7]
    counts = decoder.counts
    assert (counts.good, counts.repeated, counts.reordered, counts.missing) == (5, 1, 1, 3)


def test_an_exposure_far_behind_is_not_taken() -> None:
    """An exposure too far behind to tell from a repeated one is thrown away and counted."""
    decoder = Decoder()
    decoder.feed(encode(exposure(500)))
    assert decoder.feed(encode(exposure(2))) == []
    assert decoder.counts.repeated == 1


WILD = st.sampled_from([0, 1, 63, 1499, 1500, 2**31, 2**32 - 2, 2**32 - 1])


@given(st.lists(st.tuples(WILD | U32, st.booleans(), st.sampled_from([0, 2**63, 2**64 - 1]))))
def test_no_number_in_a_sound_packet_costs_more_than_its_length(
    wild: list[tuple[int, bool, int]],
) -> None:
    """Whatever sequence and clock a sound exposure bears, memory stays that of one packet."""
    decoder, pixels = Decoder(), np.zeros((3, 5), np.uint16)
    packets = [encode(Exposure(lit, n, time_us, pixels)) for n, lit, time_us in wild]
    tracemalloc.start()
    try:
        for packet in packets:
            tracemalloc.reset_peak()
            before, _ = tracemalloc.get_traced_memory()
            decoder.feed(packet)
            assert tracemalloc.get_traced_memory()[1] - before < 20_000
    finally:
        tracemalloc.stop()
    assert decoder._order.seen.bit_length() <= 128


@given(st.integers(1501, 2**32 - 1))
def test_one_exposure_far_ahead_is_doubted_and_two_are_believed(ahead: int) -> None:
    """A leap of 1,500 frame pairs needs a second exposure beside it (RFC 3550, A.1, 2003)."""
    decoder = Decoder()
    decoder.feed(encode(Acknowledge(CommandKind.START, Result.DONE, 0, 1)))
    assert decoder.feed(encode(exposure(ahead))) == []
    assert len(decoder.feed(encode(exposure(0)) + encode(exposure(0, False)))) == 2
    assert (decoder.counts.doubted, decoder.counts.missing) == (1, 0)
    assert decoder.feed(encode(exposure(ahead))) == []
    assert len(decoder.feed(encode(exposure(ahead, False)))) == 1
    assert decoder.counts.missing == 2 * ahead + 1 - 2


def test_a_loss_of_fewer_is_believed_at_once() -> None:
    """1,499 frame pairs lost are a loss, and nothing of what comes after it is held back."""
    decoder = Decoder()
    decoder.feed(encode(exposure(0)))
    assert len(decoder.feed(encode(exposure(1500)))) == 1
    assert (decoder.counts.missing, decoder.counts.doubted) == (2999, 0)


def test_start_begins_a_new_run() -> None:
    """After the acknowledge of a START the sequence begins at 0 again."""
    decoder = Decoder()
    decoder.feed(encode(exposure(500)))
    lost = decoder.counts.missing
    decoder.feed(encode(Acknowledge(CommandKind.START, Result.DONE, 0, 1)))
    assert len(decoder.feed(encode(exposure(0)))) == 1
    assert decoder.counts.missing == lost


def test_another_version_or_kind_is_passed_over() -> None:
    """A sound packet of a later version or an unknown kind is counted, not misread."""
    raw = cobs.decode(encode(Status(5, 20.0, 3300, 0))[:-1])
    for change in (b"\x02" + raw[1:-4], raw[:1] + b"\x63" + raw[2:-4]):
        packet = cobs.encode(change + zlib.crc32(change).to_bytes(4, "little")) + b"\0"
        decoder = Decoder()
        assert decoder.feed(packet) == []
        assert (decoder.counts.unknown, decoder.counts.corrupt) == (1, 0)


def test_a_stream_without_a_zero_is_held_in_bounded_memory() -> None:
    """Endless bytes without a zero are dropped beyond the longest packet, then decoding goes on."""
    decoder = Decoder()
    for _ in range(30):
        decoder.feed(b"\xff" * 10_000)
        assert len(decoder._pending) <= MAX_PACKET
    good = decoder.feed(b"\0" + encode(exposure(0)))
    assert len(good) == 1
    assert decoder.counts.corrupt == 1


@given(st.binary(max_size=400))
def test_random_bytes_never_raise(data: bytes) -> None:
    """Bytes of any origin never raise out of the decoder."""
    Decoder().feed(data + b"\0")


@given(st.integers(0, 255), st.binary(max_size=120))
def test_sound_packets_with_any_body_never_raise(kind: int, body: bytes) -> None:
    """A packet with a right CRC around any body is decoded, counted or passed over."""
    raw = bytes([1, kind]) + bytes(12) + body
    packet = cobs.encode(raw + zlib.crc32(raw).to_bytes(4, "little")) + b"\0"
    decoder = Decoder()
    decoder.feed(packet)
    counts = decoder.counts
    assert counts.good + counts.corrupt + counts.unknown == 1


@pytest.mark.parametrize(
    "message",
    [
        Exposure(True, 0, 0, np.full((2, 2), 4096, np.uint16), 12),
        Exposure(True, 0, 0, np.zeros((2, 2), np.uint16), 3),
        Exposure(True, 0, 0, np.zeros((257, 2), np.uint16), 12),
        Exposure(True, 2**32, 0, np.zeros((2, 2), np.uint16), 12),
        Status(0, 400.0, 3300, 0),
        Command(CommandKind.START, -1),
    ],
)
def test_values_that_do_not_fit_are_refused(message: Message) -> None:
    """A value that does not fit its field is refused by name."""
    with pytest.raises(FormatError, match=r"packet|pixels"):
        encode(message)


def test_unpacking_checks_its_length() -> None:
    """Packed pixels of another length than the geometry asks for are refused."""
    with pytest.raises(FormatError, match="length is 3, expected 2"):
        unpack_counts(b"\0\0\0", 1, 12)
    with pytest.raises(FormatError, match="bits a pixel"):
        unpack_counts(b"\0", 1, 3)
    with pytest.raises(FormatError, match="bits a pixel is 17, expected 4 to 16"):
        pack_counts(np.zeros(1, np.uint16), 17)


def test_a_description_travels_in_its_stated_steps() -> None:
    """A description keeps every setting to the step its field states."""
    sensor = Sensor("s", 64, 64, 10, exposure_us=150.0004, frame_rate_hz=59.94)
    message = decode(encode(Description(sensor, "unit-7", "1.0.0"))[:-1])
    assert isinstance(message, Description)
    assert message.sensor.exposure_us == 150.0
    assert message.sensor.frame_rate_hz == 59.94


def _with_apertures(n_apertures: int) -> Description:
    apertures = tuple(Aperture(k - 1.5, 0.001 * k, 2 * k, 2, 1, 9) for k in range(n_apertures))
    return Description(Sensor("s", 8, 10, apertures=apertures), "unit-7", "1.0.0")


@pytest.mark.parametrize("n_apertures", [0, 1, 2, 4])
def test_apertures_travel_behind_the_texts(n_apertures: int) -> None:
    """Apertures come back equal; the usual one takes no byte, so that older packets are read."""
    message = _with_apertures(n_apertures)
    packet = encode(message)
    assert decode(packet[:-1]) == message
    n_more = 1 + 16 * n_apertures if n_apertures else 0
    assert len(packet) == len(encode(_with_apertures(0))) + n_more


def test_a_cut_list_of_apertures_is_refused() -> None:
    """Too few bytes, too many, a number that cannot be and places that overlap are refused."""
    raw = cobs.decode(encode(_with_apertures(2))[:-1])[:-4]
    place = len(raw) - 33
    for wrong in (
        raw[:-1], raw + b"\0", raw[:place] + b"\5" + raw[place + 1 :],
        raw[:place] + b"\0" + raw[place + 1 :], raw[:-16] + raw[-32:-16],
    ):  # fmt: skip
        packet = cobs.encode(wrong + zlib.crc32(wrong).to_bytes(4, "little"))
        with pytest.raises(FormatError):
            decode(packet)
