"""Families of control modules of random structure, with the truth about every byte.

Everything is invented, from a seed, and nothing here imports the code under test: CRCs are
computed bit by bit from the published parameters (G. Cook, "Catalogue of parametrised CRC
algorithms"), check digits by 49 CFR 565.15, BCD and stored forms by hand.

A family has a structure: which fields there are, in which order, how far apart, in which
stored form, guarded by which checksums. A module fills it. The structure comes from the
family's seed alone, the content from the module's.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field

CRCS = {
    # name: width, poly, init, reflected, xorout
    "CRC-8/SMBUS": (8, 0x07, 0x00, False, 0x00),
    "CRC-8/SAE-J1850": (8, 0x1D, 0xFF, False, 0xFF),
    "CRC-16/IBM-3740": (16, 0x1021, 0xFFFF, False, 0x0000),
    "CRC-16/XMODEM": (16, 0x1021, 0x0000, False, 0x0000),
    "CRC-16/KERMIT": (16, 0x1021, 0x0000, True, 0x0000),
    "CRC-16/MODBUS": (16, 0x8005, 0xFFFF, True, 0x0000),
    "CRC-16/ARC": (16, 0x8005, 0x0000, True, 0x0000),
    "CRC-32/ISO-HDLC": (32, 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF),
    "CRC-32/BZIP2": (32, 0x04C11DB7, 0xFFFFFFFF, False, 0xFFFFFFFF),
    "CRC-8/MAXIM-DOW": (8, 0x31, 0x00, True, 0x00),
    "CRC-8/GSM-B": (8, 0x49, 0x00, False, 0xFF),
    "CRC-16/DNP": (16, 0x3D65, 0x0000, True, 0xFFFF),
    "CRC-16/CDMA2000": (16, 0xC867, 0xFFFF, False, 0x0000),
    "CRC-32/AUTOSAR": (32, 0xF4ACFB13, 0xFFFFFFFF, True, 0xFFFFFFFF),
}
SUMS: dict[str, tuple[int, Callable[[bytes], int]]] = {
    "SUM-8": (8, lambda data: sum(data)),
    "SUM-8/TWOS": (8, lambda data: -sum(data)),
    "SUM-8/ONES": (8, lambda data: ~sum(data)),
    "XOR-8": (8, lambda data: _xor(data)),
    "SUM-16": (16, lambda data: sum(data)),
    "SUM-16/TWOS": (16, lambda data: -sum(data)),
    "SUM-16/ONES": (16, lambda data: ~sum(data)),
}
FORMS = (
    *("plain",) * 6,
    *("reversed", "reversed", "inverted", "inverted", "swapped-16", "every-2", "xor-5a"),
    *("utf-16-be", "nibbles-swapped", "lower-case"),
)


@dataclass(frozen=True, slots=True)
class Place:
    """One field of the family: where it lies and what it is."""

    start: int
    end: int
    kind: str
    """``vin``, ``tail``, ``state``, ``sequence``, ``text``, ``date``, ``number``,
    ``configuration``, ``counter``, ``protected``, ``noise``, ``calibration``, ``checksum``,
    ``record`` (a slot that may be empty)."""
    form: str = "plain"
    occupied: tuple[int, ...] = ()
    """Addresses that carry the text, of a VIN."""


@dataclass(frozen=True, slots=True)
class Guard:
    """One checksum of the family."""

    algorithm: str
    start: int
    end: int
    stored: int
    length: int
    order: str


@dataclass(frozen=True, slots=True)
class Module:
    """One module's memory, as it was read once or twice."""

    vin: str | None
    reads: tuple[bytes, ...]


@dataclass(slots=True)
class Family:
    """The structure. Make one with `make_family`."""

    seed: int
    size: int
    erased: int
    prefix: str
    """What all VINs of the family begin with."""
    blank: str
    """How a never-configured module holds its identity: erased, zero, blanks."""
    erases_checksums: bool
    swapped: bool
    """The reader exchanged the bytes of each 16-bit word of every read."""
    knows_vins: bool
    ticks: bool
    """Counters move between two reads of one module."""
    places: list[Place] = field(default_factory=list)
    guards: list[Guard] = field(default_factory=list)
    constants: dict[int, bytes] = field(default_factory=dict)
    """Start of a field: what it holds in all modules."""
    banks: list[tuple[Place, Place]] = field(default_factory=list)

    def kind_at(self, address: int) -> str:
        """What the byte is; ``gap`` where nothing lies."""
        for place in self.places:
            if place.start <= address < place.end:
                if place.kind == "vin" and address not in place.occupied:
                    return "between"
                return place.kind
        return "gap"

    def module(self, number: int) -> Module:
        """A configured module."""
        return _fill(self, number, configured=True)

    def reference(self) -> Module:
        """A module that was never configured."""
        return _fill(self, 90001, configured=False)


def make_family(seed: int) -> Family:
    """A family of random structure."""
    rng = random.Random(f"family {seed}")
    family = Family(
        seed=seed,
        size=0,
        erased=0xFF if rng.random() < 0.85 else 0x00,
        prefix=_prefix(rng),
        blank=rng.choice(["erased", "erased", "zero", "blanks"]),
        erases_checksums=rng.random() < 0.4,
        swapped=rng.random() < 0.12,
        knows_vins=rng.random() < 0.6,
        ticks=rng.random() < 0.6,
    )
    _Builder(family, rng).build()
    return family


def crc(name: str, data: bytes) -> int:
    """Bit by bit, the high bit first; reflected models by reflecting bytes and result."""
    width, poly, register, reflected, xorout = CRCS[name]
    for byte in data:
        if reflected:
            byte = int(f"{byte:08b}"[::-1], 2)
        register ^= byte << (width - 8)
        for _ in range(8):
            top = register >> (width - 1)
            register = (register << 1 & (1 << width) - 1) ^ (poly if top else 0)
    if reflected:
        register = int(f"{register:0{width}b}"[::-1], 2)
    return register ^ xorout


def guard_value(guard: Guard, memory: bytes | bytearray) -> bytes:
    """What the checksum's field must hold."""
    data = bytes(memory[guard.start : guard.end])
    if guard.algorithm in CRCS:
        width, value = CRCS[guard.algorithm][0], crc(guard.algorithm, data)
    else:
        width, compute = SUMS[guard.algorithm]
        value = compute(data) & (1 << width) - 1
    order = "big" if guard.order == "big" else "little"
    return value.to_bytes(width // 8, order)  # type: ignore[arg-type]


def swap_words(data: bytes) -> bytes:
    """The two bytes of each word exchanged."""
    out = bytearray(data)
    out[::2], out[1::2] = data[1::2], data[::2]
    return bytes(out)


def make_vin(prefix: str, rng: random.Random) -> str:
    """A VIN with a right check digit: 49 CFR 565.15(c), Tables III to VI."""
    tail = "".join(rng.choice("ABCDEFGHJKLMNPRSTUVWXYZ0123456789") for _ in range(12))
    text = (prefix + tail)[:11] + f"{rng.randrange(1000, 999999):06d}"
    values = dict(zip("ABCDEFGH", range(1, 9), strict=True))
    values |= {"J": 1, "K": 2, "L": 3, "M": 4, "N": 5, "P": 7, "R": 9}
    values |= dict(zip("STUVWXYZ", range(2, 10), strict=True))
    values |= {str(digit): digit for digit in range(10)}
    weights = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
    total = sum(values[c] * w for c, w in zip(text, weights, strict=True)) % 11
    return text[:8] + ("X" if total == 10 else str(total)) + text[9:]


def store(text: str, form: str) -> bytes:
    """A text in one stored form; foreign bytes of `every-2` are zero."""
    data = text.encode()
    match form:
        case "reversed":
            return data[::-1]
        case "inverted":
            return bytes(255 - byte for byte in data)
        case "swapped-16":
            return swap_words(data[:16]) + data[16:]
        case "every-2":
            return b"\x00".join(bytes([byte]) for byte in data) + b"\x00"
        case "utf-16-be":
            return text.encode("utf-16-be")
        case "nibbles-swapped":
            return bytes(byte >> 4 | (byte & 15) << 4 for byte in data)
        case "xor-5a":
            return bytes(byte ^ 0x5A for byte in data)
        case "lower-case":
            return text.lower().encode()
    return data


def _xor(data: bytes) -> int:
    value = 0
    for byte in data:
        value ^= byte
    return value


def _prefix(rng: random.Random) -> str:
    """A maker's code that is assigned to a country, a model, perhaps a plant."""
    return "1G" + "".join(rng.choice("ABCDEFHKLMNPRT123456789") for _ in range(rng.choice([6, 7])))


class _Builder:
    """Puts blocks one after the other."""

    def __init__(self, family: Family, rng: random.Random) -> None:
        self.family, self.rng, self.at = family, rng, 0

    def build(self) -> None:
        rng = self.rng
        blocks: list[Callable[[], None]] = [self.module_identity, self.identity]
        if rng.random() < 0.7:
            blocks.append(self.copy)
        blocks += [self.banks] * (rng.random() < 0.35)
        blocks += [self.records] * (rng.random() < 0.3)
        blocks += [self.configuration] * rng.choice([1, 1, 2])
        blocks += [self.counter] * rng.choice([0, 1, 1, 2])
        blocks += [self.protected] * rng.choice([0, 1, 1])
        blocks += [self.noise] * rng.choice([0, 0, 1])
        blocks += [self.calibration] * rng.choice([0, 1, 1])
        blocks += [self.nested] * (rng.random() < 0.35)
        blocks += [self.tail] * (rng.random() < 0.2)
        rng.shuffle(blocks)
        for block in blocks:
            block()
            self.gap()
        self.family.size = next(s for s in (256, 512, 1024, 2048, 4096) if s >= self.at)

    def gap(self) -> None:
        page = self.rng.choice([8, 16, 16, 32])
        self.at += self.rng.choice([2, 4, 8, 16])
        self.at += -self.at % page

    def put(self, kind: str, length: int, form: str = "plain", occupied: str = "") -> Place:
        place = Place(self.at, self.at + length, kind, form)
        if kind == "vin":
            step = 2 if form in ("every-2",) else 1
            place = Place(
                self.at, self.at + length, kind, form, tuple(range(self.at, self.at + length, step))
            )
        self.family.places.append(place)
        self.at += length
        return place

    def vin(self, kind: str = "vin") -> Place:
        form = self.rng.choice(FORMS)
        return self.put(kind, len(store("0" * 17, form)), form)

    def guard(self, start: int, *, wide: bool = False, always: bool = False) -> None:
        """A checksum of all from `start` on, behind it."""
        if not always and self.rng.random() < 0.25:
            return
        end = self.at
        names = ["CRC-16/IBM-3740"] * 2 + [*CRCS, *SUMS]
        if wide:
            names = [name for name in names if not name.startswith(("CRC-8", "SUM-8", "XOR"))]
        name = self.rng.choice(names)
        length = (CRCS[name][0] if name in CRCS else SUMS[name][0]) // 8
        if self.rng.random() < 0.06:
            # Apart from its block, somewhere behind it.
            self.at += self.rng.choice([8, 16])
        place = self.put("checksum", length)
        order = self.rng.choice(["big", "little"])
        self.family.guards.append(Guard(name, start, end, place.start, length, order))

    def module_identity(self) -> None:
        start, rng = self.at, self.rng
        for kind in rng.sample(
            ["serial", "part", "hardware", "date", "number"], rng.choice([3, 4])
        ):
            if kind == "serial":
                self.put("text", rng.choice([8, 10, 12]))
            elif kind == "part":
                place = self.put("text", rng.choice([8, 10]))
                text = f"{rng.choice('DKMT')}{rng.choice('ABCZ')}-{rng.randrange(10**4):04d}-XYZ"
                length = place.end - place.start
                self.family.constants[place.start] = text[:length].ljust(length).encode()
            elif kind == "hardware":
                place = self.put("text", 6)
                self.family.constants[place.start] = (
                    f"HW{rng.randrange(100):02d}.{rng.choice('ABC')}".encode()
                )
            elif kind == "date":
                self.put("date", rng.choice([3, 4]))
            else:
                place = self.put("number", 2)
                self.family.constants[place.start] = bytes([rng.randrange(1, 9), rng.randrange(99)])
            if rng.random() < 0.4:
                self.at += -self.at % 4
        self.guard(start)

    def identity(self) -> None:
        start = self.at
        if self.rng.random() < 0.15:
            self.put("state", 1)
        self.vin()
        for _ in range(self.rng.choice([0, 1, 1, 2])):
            self.put("state", 1)
        self.guard(start)

    def copy(self) -> None:
        start = self.at
        self.vin()
        if self.rng.random() < 0.5:
            self.guard(start)

    def banks(self) -> None:
        form = self.rng.choice(FORMS)
        length = len(store("0" * 17, form))
        before = self.rng.random() < 0.5
        name = self.rng.choice(["CRC-16/IBM-3740", "CRC-16/ARC", "CRC-8/SMBUS", "SUM-16"])
        order = self.rng.choice(["big", "little"])
        sequences = []
        for _ in range(2):
            start = self.at
            if before:
                sequences.append(self.put("sequence", 1))
            self.put("vin", length, form)
            if not before:
                sequences.append(self.put("sequence", 1))
            width = (CRCS[name][0] if name in CRCS else SUMS[name][0]) // 8
            end = self.at
            place = self.put("checksum", width)
            self.family.guards.append(Guard(name, start, end, place.start, width, order))
            self.at += -self.at % 16 + self.rng.choice([0, 16])
        self.family.banks.append((sequences[0], sequences[1]))

    def records(self) -> None:
        """Slots that are filled one after the other; the rest stays erased."""
        for _ in range(self.rng.choice([3, 4])):
            self.put("record", 17)
            self.at += -self.at % 32

    def configuration(self) -> None:
        start = self.at
        self.put("configuration", self.rng.choice([8, 16, 24, 32]))
        self.guard(start)

    def counter(self) -> None:
        self.put("counter", self.rng.choice([2, 4, 4]), self.rng.choice(["big", "little"]))

    def protected(self) -> None:
        start = self.at
        self.put("protected", self.rng.choice([16, 32, 64]))
        if self.rng.random() < 0.4:
            self.guard(start, wide=True)

    def noise(self) -> None:
        self.put("noise", self.rng.choice([2, 3, 5, 8]))

    def calibration(self) -> None:
        start, rng = self.at, self.rng
        length = rng.choice([48, 64, 128])
        place = self.put("calibration", length)
        value, words = rng.randrange(300, 900), b""
        for _ in range(length // 2):
            value = max(0, min(4095, value + rng.randint(-60, 60)))
            words += value.to_bytes(2, "little")
        self.family.constants[place.start] = words
        if rng.random() < 0.6:
            self.guard(start, wide=True, always=True)

    def nested(self) -> None:
        """Two guarded blocks and a checksum of both, their checksums included."""
        start = self.at
        self.vin()
        self.put("state", 1)
        self.guard(start, always=True)
        inner = self.at
        self.put("configuration", self.rng.choice([8, 16]))
        self.guard(inner, always=True)
        self.guard(start, wide=True, always=True)

    def tail(self) -> None:
        self.put("tail", 8)


def _fill(family: Family, number: int, *, configured: bool) -> Module:
    rng = random.Random(f"module {family.seed} {number}")
    memory = bytearray([family.erased]) * family.size
    vin = make_vin(family.prefix, rng)
    older = [make_vin(family.prefix, rng) for _ in range(3)]
    filled = rng.randrange(1, 4)
    fillers = {"erased": family.erased, "zero": 0x00, "blanks": 0x20}
    blank = fillers[family.blank]
    flag = random.Random(f"flags {family.seed}").choice([0x01, 0x01, 0x55, 0xA5])
    counters: list[Place] = []
    records = [place for place in family.places if place.kind == "record"]
    for place in family.places:
        length = place.end - place.start
        if place.start in family.constants:
            data = family.constants[place.start]
        elif place.kind == "vin":
            data = store(vin, place.form) if configured else bytes([blank]) * length
            if not configured and place.form in ("every-2", "utf-16-be"):
                data = store("\x00" * 17, place.form) if family.blank == "zero" else data
        elif place.kind == "tail":
            data = vin[-8:].encode() if configured else bytes([blank]) * length
        elif place.kind == "record":
            slot = records.index(place)
            # The newest record is the present VIN.
            texts = [*older[: filled - 1], vin]
            data = texts[slot].encode() if slot < filled and configured else b""
            data = data or bytes([family.erased]) * length
        elif place.kind == "state":
            data = (
                bytes([flag]) if configured else bytes([family.erased if blank == 0x20 else blank])
            )
        elif place.kind == "text":
            data = _serial(rng, length)
        elif place.kind == "date":
            data = bytes.fromhex(
                ("20" if length == 4 else "")
                + f"{rng.randrange(10, 24)}{rng.randrange(1, 13):02d}{rng.randrange(1, 29):02d}"
            )
        elif place.kind == "configuration":
            data = _configuration(family, place, rng if configured else None)
        elif place.kind == "counter":
            counters.append(place)
            count = rng.randrange(300, 60_000) if length == 2 else rng.randrange(20_000, 4_000_000)
            data = count.to_bytes(length, "big" if place.form == "big" else "little")
        elif place.kind in ("protected", "noise"):
            data = rng.randbytes(length)
        else:
            continue
        memory[place.start : place.end] = data
    step = rng.randrange(1, 200)
    for first, second in family.banks:
        memory[first.start] = step if configured else family.erased
        memory[second.start] = step + 1 if configured else family.erased
    reads = [bytes(_sealed(family, memory, configured))]
    if family.ticks and counters:
        for place in counters:
            order = "big" if place.form == "big" else "little"
            value = int.from_bytes(memory[place.start : place.end], order)  # type: ignore[arg-type]
            value += rng.randrange(1, 4)
            length = place.end - place.start
            memory[place.start : place.end] = value.to_bytes(length, order)  # type: ignore[arg-type]
    reads.append(bytes(_sealed(family, memory, configured)))
    if family.swapped:
        reads = [swap_words(read) for read in reads]
    return Module(vin if configured else None, tuple(reads))


def _sealed(family: Family, memory: bytearray, configured: bool) -> bytearray:
    sealed = bytearray(memory)
    identity = [place for place in family.places if place.kind in ("vin", "tail")]
    for guard in family.guards:
        value = guard_value(guard, sealed)
        over_identity = any(guard.start <= place.start < guard.end for place in identity)
        if not configured and family.erases_checksums and over_identity:
            value = bytes([family.erased]) * guard.length
        sealed[guard.stored : guard.stored + guard.length] = value
    return sealed


def _serial(rng: random.Random, length: int) -> bytes:
    letters = rng.choice("CDEF") + rng.choice("KLMN")
    digits = "".join(rng.choice("0123456789") for _ in range(length - 3))
    return (letters + digits + rng.choice("ABCDXY")).encode()[:length]


def _configuration(family: Family, place: Place, rng: random.Random | None) -> bytes:
    """Small values and flags; a third of them differ from module to module."""
    base = random.Random(f"options {family.seed} {place.start}")
    data = bytearray(
        base.choice([0, 1, 2, 3, 4, 8, 10, 16, 0x40]) for _ in range(place.end - place.start)
    )
    for index in range(len(data)):
        changes = base.random() < 0.33
        if changes and rng is not None and rng.random() < 0.6:
            data[index] ^= 1 << rng.randrange(3)
    return bytes(data)
