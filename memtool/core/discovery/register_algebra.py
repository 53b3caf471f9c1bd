"""The CRC register as a vector over GF(2): steps, inverse powers, prefix sides.

Facts
-----
- A is the linear map that moves the register on by one zero byte; β(b) puts a byte into
  it. After the block ``[i, j)`` the register is A^(j-i)·I ⊕ Σ A^(j-m)·β(b_m).
- Every polynomial here has a constant term, so A has an inverse.
- With P_k = Σ_{m<k} A^(-m)·β(b_m), the block's register brought back by A^(-j) is
  A^(-i)·I ⊕ P_i ⊕ P_j: start and end stand apart.
- A reflected CRC keeps its register reflected. Register and stored number are then the
  same bits, and β(b) is b in the low byte; otherwise b in the high byte.
- A byte that lies one place further in is the same byte one step earlier: A^(-1) moves it from
  one to the other, as long as nothing falls out. So A^(-k)·v is the sum over the bytes of v of
  what each of them, at the place that goes last, becomes in k steps and as many as its place.
- A stored number whose bytes lie in the order in which the register shifts them out acts
  on the register like message bytes: brought back by A^(-j) it is P_(j+f) ⊕ P_j. Bytes in
  any other order are the same terms, each moved by a few powers of A.

All arrays of registers are ``uint64``, whatever the width.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property, lru_cache
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from memtool.core.checksums.crc import reflect

Registers = NDArray[np.uint64]
Table = NDArray[np.uint64]
Narrow = NDArray[np.unsignedinteger]
Bytes = NDArray[np.uint8]
Places = NDArray[np.int64]

_CHUNK = 8192
"""Positions worked on at a time: sequences and masks of so many stay in the cache."""
_SHORT = 2048
"""Sequences below this are made many at once: of so few values a call takes longer than its
work."""
_FEW = 128
"""Values that one numpy call for all bytes of each moves sooner than a call for each byte."""
_TABLED = 1024
"""Of so many registers a factor's tables cost less than they save."""


def bit_masks(data: NDArray[np.uint8]) -> NDArray[np.int8]:
    """Shape (8, n): -1 where bit t of the byte is set, else 0. Shared by all polynomials."""
    return np.stack([-((data >> bit) & 1).astype(np.int8) for bit in range(8)])


def tables_of(columns: Registers) -> Table:
    """Row x: the 256 sums of the columns 8·x to 8·x + 7, by byte value."""
    tables = np.zeros((len(columns) // 8, 256), np.uint64)
    for bit in range(8):
        # Doubling: the entries with this bit set are those without it, plus its column.
        done, more = tables[:, : 1 << bit], tables[:, 1 << bit : 2 << bit]
        np.bitwise_xor(done, columns[bit::8, np.newaxis], out=more)
    return tables


def narrowest(length: int) -> np.dtype:
    """The narrowest type that holds numbers of so many bytes, eight at most."""
    return np.dtype(f"u{1 << (length - 1).bit_length()}")


class LinearMap:
    """A linear map of registers, as one table for each byte of the register."""

    def __init__(self, columns: Registers) -> None:
        """Take the images of the register's single bits, lowest first."""
        self.columns = columns
        self._tables = tables_of(columns)
        # Of the register's bytes, and of their tables where all lie one behind the other.
        self._shifts = np.arange(0, len(columns), 8, dtype=np.uint64)
        self._firsts = np.arange(0, 32 * len(columns), 256, dtype=np.uint64)

    def apply(self, values: Registers) -> Registers:
        """The map of each value."""
        if values.size <= _FEW:
            # All bytes in a few steps: of few values a step's call takes longer than its work.
            indexes = (values[..., np.newaxis] >> self._shifts & np.uint64(255)) + self._firsts
            looked_up = self._tables.reshape(-1).take(indexes.view(np.int64))
            few: Registers = np.bitwise_xor.reduce(looked_up, axis=-1)
            return few
        moved = np.empty(values.shape, np.uint64)
        given, found = values.reshape(-1), moved.reshape(-1)
        # By chunks, or all steps in between would leave the cache.
        for begin in range(0, len(given), _CHUNK):
            part, out = given[begin : begin + _CHUNK], found[begin : begin + _CHUNK]
            index, looked = np.empty(len(part), np.uint64), np.empty(len(part), np.uint64)
            for place, table in enumerate(self._tables):
                np.right_shift(part, np.uint64(8 * place), out=index)
                index &= np.uint64(255)
                # No index is out of range: `clip` spares the check.
                table.take(index.view(np.int64), mode="clip", out=looked if place else out)
                if place:
                    out ^= looked
        return moved

    def after(self, first: LinearMap) -> LinearMap:
        """The map that does `first`, then this one."""
        return LinearMap(self.apply(first.columns))


def _look_up(table: Table, values: Registers, shift: int) -> Registers:
    index = values >> np.uint64(shift)
    index &= np.uint64(255)
    # As in `LinearMap.apply`.
    return table.take(index.view(np.int64), mode="clip")


class RegisterAlgebra:
    """All that depends on polynomial and reflection alone."""

    def __init__(self, width: int, poly: int, reflected: bool) -> None:
        """Take a catalogued polynomial: `poly` without its top bit, never reflected.

        Raises:
            ValueError: `width` is no multiple of 8 from 8 to 64, or `poly` is even.
        """
        if width % 8 or not 8 <= width <= 64 or not poly & 1:
            raise ValueError(f"no byte-wise register: width {width}, polynomial {poly:#x}")
        self.width, self.reflected = width, reflected
        self.length = width // 8
        self.kind = narrowest(self.length)
        """The narrowest type that holds the register."""
        self._mask = (1 << width) - 1
        self._poly = reflect(poly, width) if reflected else poly
        # What a byte at the register's outgoing end becomes in eight steps; all else only shifts.
        far = [self._bits_on(1 << (bit if reflected else width - 8 + bit), 8) for bit in range(8)]
        near = [
            self._bits_back(1 << (bit + (width - 8 if reflected else 0)), 8) for bit in range(8)
        ]
        self._forward, self._backward = tables_of(np.array([*far, *near], np.uint64))
        units = np.array([1 << bit for bit in range(width)], np.uint64)
        # Place e: A^(-2^e), each the square of the one before, made when first asked for.
        self._back_powers = [LinearMap(self.step_back(units))]
        self._lock = Lock()
        low = 0 if reflected else width - 8
        self.units = np.array([1 << (low + bit) for bit in range(8)], np.uint64)
        """The bits of a message's byte where it enters the register."""

    def _bits_on(self, value: int, count: int) -> int:
        for _ in range(count):
            if self.reflected:
                value = (value >> 1) ^ (self._poly if value & 1 else 0)
            else:
                carry = value >> (self.width - 1)
                value = ((value << 1) & self._mask) ^ (self._poly if carry else 0)
        return value

    def _bits_back(self, value: int, count: int) -> int:
        top = 1 << (self.width - 1)
        for _ in range(count):
            if self.reflected:
                # Only the polynomial sets the top bit, so that bit tells what happened.
                carry = bool(value & top)
                value = (((value ^ self._poly) << 1) & self._mask | 1) if carry else value << 1
            else:
                value = ((value ^ self._poly) >> 1 | top) if value & 1 else value >> 1
        return value

    def step_forward(self, values: Registers) -> Registers:
        """A·v of each value."""
        if self.width == 8:
            return _look_up(self._forward, values, 0)
        if self.reflected:
            return (values >> np.uint64(8)) ^ _look_up(self._forward, values, 0)
        moved = (values << np.uint64(8)) & np.uint64(self._mask)
        return moved ^ _look_up(self._forward, values, self.width - 8)

    def step_back(self, values: Registers) -> Registers:
        """A^(-1)·v of each value."""
        if self.width == 8:
            return _look_up(self._backward, values, 0)
        if self.reflected:
            moved = values << np.uint64(8)
            moved &= np.uint64(self._mask)
            moved ^= _look_up(self._backward, values, self.width - 8)
            return moved
        moved = values >> np.uint64(8)
        moved ^= _look_up(self._backward, values, 0)
        return moved

    def back_power(self, exponent: int) -> LinearMap:
        """The map A^(-2^exponent)."""
        # Threads share this algebra: without the lock two of them could append the same square
        # twice.
        with self._lock:
            while len(self._back_powers) <= exponent:
                last = self._back_powers[-1]
                self._back_powers.append(last.after(last))
            return self._back_powers[exponent]

    def back(self, value: int, steps: int) -> int:
        """A^(-steps)·value of one register."""
        return int(self.back_each(np.array([value], np.uint64), np.array([steps]))[0])

    def forward(self, value: int, steps: int) -> int:
        """A^steps·value of one register."""
        columns = np.array([1 << bit for bit in range(self.width)], np.uint64)
        power = LinearMap(self.step_forward(columns))
        moved = np.array([value], np.uint64)
        # Square and multiply, by the bits of `steps`.
        while steps:
            if steps & 1:
                moved = power.apply(moved)
            power, steps = power.after(power), steps >> 1
        return int(moved[0])

    def back_each(self, values: Registers, steps: NDArray[np.int64]) -> Registers:
        """A^(-steps[x])·values[x], element by element."""
        moved = values.copy()
        exponent, rest = 0, steps
        while rest.any():
            # The same for all elements at once: bit e of its steps says who takes A^(-2^e).
            chosen = np.flatnonzero(rest & 1)
            if len(chosen):
                moved[chosen] = self.back_power(exponent).apply(moved[chosen])
            rest, exponent = rest >> 1, exponent + 1
        return moved

    def back_below(self, numbers: Registers, steps: Places, count: int) -> Registers:
        """The same where all steps are below `count`, and sequences of so many are asked for too:
        these are made of the same rows."""
        rows = byte_rows(self, min(count, _CHUNK))
        near = steps % _CHUNK
        far = self.back_each(numbers, steps - near) if count > _CHUNK else numbers
        return rows.at(far, near)

    def back_sequences(self, numbers: Registers, count: int) -> Registers:
        """Row x: A^(-k)·numbers[x] for k = 0 … count - 1."""
        found = np.empty((len(numbers), count), np.uint64)
        self._put_sequences(numbers, found)
        return found

    def narrow_sequences(self, numbers: Registers, count: int) -> Narrow:
        """The same in the narrowest type that holds the register: less memory to go through."""
        found = np.empty((len(numbers), count), self.kind)
        self._put_sequences(numbers, found)
        return found

    def _put_sequences(self, numbers: Registers, found: Narrow) -> None:
        count = found.shape[1]
        rows = byte_rows(self, min(count, _CHUNK))
        if count < _SHORT:
            step = 4 * _CHUNK // count
            for begin in range(0, len(numbers), step):
                part = slice(begin, begin + step)
                rows.put_short(numbers[part], found[part])
            return
        # Each chunk is the first one of another number.
        firsts = self.back_strides(numbers, -(-count // _CHUNK), _CHUNK.bit_length() - 1)
        for row, starts in zip(found, firsts.tolist(), strict=True):
            for turn, start in enumerate(starts):
                rows.put(start, row[turn * _CHUNK : (turn + 1) * _CHUNK])

    def back_strides(self, numbers: Registers, count: int, exponent: int = 0) -> Registers:
        """Row x: A^(-k·2^exponent)·numbers[x] for k = 0 … count - 1, by doubling."""
        found = np.empty((len(numbers), count), np.uint64)
        found[:, 0] = numbers
        done = 1
        while done < count:
            # `done` is a power of two, so one map moves all that is there to what comes next.
            more = min(done, count - done)
            power = self.back_power(exponent + done.bit_length() - 1)
            found[:, done : done + more] = power.apply(np.ascontiguousarray(found[:, :more]))
            done += more
        return found

    def products(self, factors: Registers, registers: Registers) -> Registers:
        """factors[x]·registers[y] as polynomials, in row x and column y."""
        # Place p: factors · x^p.
        powers = [factors]
        while len(powers) < self.width:
            powers.append(self._times_x(powers[-1]))
        # The bit of a power of x is one end of the register or the other.
        columns = np.stack(powers[::-1] if self.reflected else powers, axis=1)
        found = np.zeros((len(factors), len(registers)), np.uint64)
        if len(registers) >= _TABLED:
            # Multiplying by one factor is a linear map: by tables, a byte at a time.
            for row, own in zip(found, columns, strict=True):
                row[:] = LinearMap(own).apply(registers)
            return found
        for bit, column in enumerate(columns.T):
            # 0 - 1 is all ones: a mask that takes the factor or nothing, without a branch.
            chosen = np.uint64(0) - ((registers >> np.uint64(bit)) & np.uint64(1))
            found ^= column[:, np.newaxis] & chosen[np.newaxis, :]
        return found

    def _times_x(self, values: Registers) -> Registers:
        """One bit's shift of each value."""
        poly = np.uint64(self._poly)
        if self.reflected:
            return values >> np.uint64(1) ^ ((np.uint64(0) - (values & np.uint64(1))) & poly)
        carry = np.uint64(0) - (values >> np.uint64(self.width - 1) & np.uint64(1))
        return (values << np.uint64(1) ^ (carry & poly)) & np.uint64(self._mask)

    def back_sequence(self, start: int, count: int) -> Registers:
        """A^(-k)·start for k = 0 … count - 1."""
        sequence: Registers = self.back_sequences(np.array([start], np.uint64), count)[0]
        return sequence

    def prefix_sides(self, images: Sequence[NDArray[np.int8]]) -> list[Registers]:
        """P_0 … P_n of each image.

        Args:
            images: `bit_masks` of each, all of one length n.
        """
        size = images[0].shape[1]
        rows = byte_rows(self, min(size + 1, _CHUNK))
        # What each bit of a byte adds, at each position of a chunk: of the first one, then of the
        # next by where its bits are at the chunk's first position.
        weights = rows.bits
        firsts = self.back_strides(self.units, -(-size // _CHUNK), _CHUNK.bit_length() - 1)
        sides = [np.zeros(size + 1, np.uint64) for _ in images]
        for turn, begin in enumerate(range(0, size, _CHUNK)):
            end = min(begin + _CHUNK, size)
            if turn:
                weights = np.empty((8, end - begin), self.kind)
                for row, first in zip(weights, firsts[:, turn].tolist(), strict=True):
                    rows.put(first, row)
            for masks, side in zip(images, sides, strict=True):
                local = _weighted(masks[:, begin:end], weights[:, : end - begin], self.kind)
                np.bitwise_xor.accumulate(local, out=local)
                # What all chunks before it add up to.
                np.bitwise_xor(local, side[begin], out=side[begin + 1 : end + 1])
        return sides

    def drift_sides(self, images: Bytes, places: Places) -> list[Registers]:
        """P_0 … P_n of the first image ⊕ those of each other one.

        Args:
            images: A row of bytes each, of one length n.
            places: Where they may differ, ascending; worth it where these are few.
        """
        put = (images[1:, places] ^ images[:1, places]).astype(np.uint64)
        put <<= np.uint64(0 if self.reflected else self.width - 8)
        # All images at once: of few numbers a step's call takes longer than its work.
        moved = self.back_each(put.reshape(-1), np.tile(places, len(put)))
        found = np.zeros((len(put), len(places) + 1), np.uint64)
        np.bitwise_xor.accumulate(moved.reshape(put.shape), axis=1, out=found[:, 1:])
        # It stands still up to the next place, which is in the prefix behind it.
        lengths = np.diff(np.concatenate([[-1], places, [images.shape[1]]]))
        return [np.repeat(row, lengths) for row in found]

    def stored_sides(
        self,
        prefix: Registers,
        order: Sequence[int],
        positions: NDArray[np.int64] | None = None,
    ) -> Registers:
        """A^(-j)·(number stored at j … j+f-1), for each j that has room, or for some.

        Args:
            prefix: P_0 … P_n. A^(-m)·β(b_m), what position m adds, is P_(m+1) ⊕ P_m.
            order: For each byte of the field its place in the number, 0 the lowest.
            positions: Which j; None is all.
        """
        if positions is not None:
            return self.stored_in(prefix[self.fields_at(positions)], order)
        places = range(self.length)
        count = len(prefix) - self.length
        sides = np.empty(count, np.uint64)
        for begin in range(0, count, _CHUNK):
            end = min(begin + _CHUNK, count)
            terms = prefix[begin + 1 : end + self.length] ^ prefix[begin : end + self.length - 1]
            pieces = [terms[at : at + end - begin] for at in places]
            sides[begin:end] = self._stored(pieces, order)
        return sides

    def fields_at(self, positions: Places) -> Places:
        """Row x: the places of P_j … P_(j+f) of a number stored at j = positions[x]."""
        return positions[:, np.newaxis] + np.arange(self.length + 1)

    def stored_in(self, prefixes: Registers, order: Sequence[int]) -> Registers:
        """The same of some fields.

        Args:
            prefixes: P_j … P_(j+f) of each field, in the last of any number of dimensions.
            order: As there.
        """
        terms = prefixes[..., 1:] ^ prefixes[..., :-1]
        return self._stored([terms[..., at] for at in range(self.length)], order)

    def _stored(self, pieces: Sequence[Registers], order: Sequence[int]) -> Registers:
        """See `stored_sides`; `pieces` are what each byte of the field adds."""
        by_shift: dict[int, Registers] = {}
        for place, (piece, significance) in enumerate(zip(pieces, order, strict=True)):
            natural = significance if self.reflected else self.length - 1 - significance
            # How far a byte lies from where the register would have put it: so many powers of A.
            shift = natural - place
            by_shift[shift] = by_shift[shift] ^ piece if shift in by_shift else piece
        low, high = min(by_shift), max(by_shift)
        # Horner's scheme: one step back between neighbouring powers instead of a map for each.
        total = by_shift[high]
        for shift in range(high - 1, low - 1, -1):
            total = self.step_back(total)
            if shift in by_shift:
                total = total ^ by_shift[shift]
        for _ in range(low, 0):
            total = self.step_forward(total)
        for _ in range(low):
            total = self.step_back(total)
        return total


def _weighted(masks: NDArray[np.int8], weights: Narrow, kind: np.dtype) -> Narrow:
    """A^(-m)·β(b_m) of each position, counted from the masks' first one."""
    total: Narrow = masks[0].astype(kind)
    total &= weights[0]
    for bit in range(1, 8):
        # -1 is all ones in every type: the mask keeps the weight or clears it.
        part = masks[bit].astype(kind)
        part &= weights[bit]
        total ^= part
    return total


class ByteRows:
    """What half a byte at the place that goes last becomes in 0, 1, 2, … steps back."""

    def __init__(self, algebra: RegisterAlgebra, count: int) -> None:
        """Take the polynomial's algebra and how many steps are asked for."""
        # Bytes at other places are as many steps further.
        steps = count + algebra.length - 1
        self._kind = algebra.kind
        self.bits = algebra.back_strides(algebra.units, steps).astype(self._kind)
        """A row for each bit of the byte."""
        # The bytes of a number, that at the place that goes last first.
        self._shifts = range(0, algebra.width, 8)
        if not algebra.reflected:
            self._shifts = self._shifts[::-1]
        # By half of the byte, then by its value.
        self._halves = np.zeros((2, 16, steps), self._kind)
        for half, columns in zip(self._halves, (self.bits[:4], self.bits[4:]), strict=True):
            for bit, column in enumerate(columns):
                # Doubling, as in `tables_of`.
                np.bitwise_xor(half[: 1 << bit], column, out=half[1 << bit : 2 << bit])

    def at(self, numbers: Registers, steps: Places) -> Registers:
        """A^(-steps[x])·numbers[x], element by element; no step is beyond those asked for."""
        found = np.zeros(len(numbers), self._kind)
        for place, shift in enumerate(self._shifts):
            for half, bits in zip(self._halves, (shift, shift + 4), strict=True):
                values = (numbers >> np.uint64(bits) & np.uint64(15)).view(np.int64)
                found ^= half[values, steps + place]
        return found.astype(np.uint64)

    def put(self, number: int, out: Narrow) -> None:
        """Write A^(-k)·number for k = 0, 1, 2, … to `out`, which is no longer than asked for."""
        low, high = self._halves
        count = len(out)
        # In place where it can be: a copy takes as long as a byte.
        total = out if out.dtype == self._kind else np.empty(count, self._kind)
        first, *others = self._shifts
        np.bitwise_xor(
            low[number >> first & 15, :count], high[number >> first + 4 & 15, :count], out=total
        )
        for place, shift in enumerate(others, 1):
            total ^= low[number >> shift & 15, place : place + count]
            total ^= high[number >> shift + 4 & 15, place : place + count]
        if total is not out:
            out[:] = total

    @cached_property
    def _values(self) -> Narrow:
        """The same of whole bytes, a row for each value."""
        low, high = self._halves
        rows: Narrow = high[:, np.newaxis] ^ low
        return rows.reshape(256, -1)

    def put_short(self, numbers: Registers, out: Narrow) -> None:
        """The same of many numbers, a row of `out` each."""
        count = out.shape[1]
        out[:] = 0
        for place, shift in enumerate(self._shifts):
            values = (numbers >> np.uint64(shift) & np.uint64(255)).view(np.int64)
            # As in `LinearMap.apply`.
            rows = self._values.take(values, axis=0, mode="clip")
            out ^= rows[:, place : place + count]


@lru_cache(maxsize=4)
def byte_rows(algebra: RegisterAlgebra, count: int) -> ByteRows:
    """Those of one polynomial, kept while it is searched for."""
    return ByteRows(algebra, count)


@lru_cache(maxsize=128)
def algebra_of(width: int, poly: int, reflected: bool) -> RegisterAlgebra:
    """One algebra for each polynomial and reflection, kept."""
    return RegisterAlgebra(width, poly, reflected)
