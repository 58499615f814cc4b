"""Decodes a meter's stream as a short script with `re` would: the baseline of benches/decode.rs.

It does the same job: bytes come in chunks of 4096, each with its time; readings go out, each with the times of its
first and last byte, count, exponent, function and flags. The regular expressions do all the searching.

Usage: decode_baseline.py FORMAT FILE. Prints the number of readings, the sum of their counts, and the seconds of
processor time taken (the best of ten).
"""

import re
import sys
import time
from typing import NamedTuple, Optional

CHUNK = 4096
BYTE_TIME_US = 4166


class Reading(NamedTuple):
    first_byte_us: int
    last_byte_us: int
    count: Optional[int]
    exponent: int
    function: object
    flags: int


UNITS = {b"V": 0, b"mV": -3, b"uV": -6, b"Ohm": 0, b"kOhm": 3, b"MOhm": 6, b"ohm": 0, b"Kohm": 3, b"OHM": 0}


def number(text, power=0):
    """Count and exponent of a decimal number."""
    mantissa, _, exponent = text.partition(b"E")
    whole, _, fraction = mantissa.partition(b".")
    return int(whole + fraction), power + (int(exponent) if exponent else 0) - len(fraction)


def shown(text, power):
    text = text.strip()
    if b"L" in text:
        return None, 0
    return number(text.replace(b" ", b""), power)


LINE_SCPI = re.compile(rb"([+-]?(?:\d+\.?\d*|\.\d+)(?:[Ee][+-]?\d+)?)[\r\n]+")


def scpi(data):
    for match in LINE_SCPI.finditer(data):
        line = match.group(1)
        if abs(float(line)) >= 9.8e37:
            yield match, None, 0, None, 0
        else:
            yield (match, *number(line), None, 0)


DIGITS = {0x7D: 0, 0x05: 1, 0x5B: 2, 0x1F: 3, 0x27: 4, 0x3E: 5, 0x7E: 6, 0x15: 7, 0x7F: 8, 0x3F: 9, 0x00: 0}
FRAME9721 = re.compile(b"".join(b"[\\x%x0-\\x%xf]" % (place, place) for place in range(1, 15)), re.DOTALL)


def fs9721(data):
    for match in FRAME9721.finditer(data):
        low = [byte & 15 for byte in match.group()]
        cells = [(low[1 + 2 * i] & 7) << 4 | low[2 + 2 * i] for i in range(4)]
        exponent = -sum(3 - i for i in range(3) if low[3 + 2 * i] & 8)
        if low[9] & 2:
            exponent += 3
        if low[10] & 8:
            exponent -= 3
        if low[10] & 2:
            exponent += 6
        function = "diode" if low[9] & 1 else "ohm" if low[11] & 4 else "volt" if low[12] & 4 else "other"
        flags = low[11] & 3 | (low[12] & 1) << 2 | (low[0] & 2) << 2
        if 0x68 in cells:
            yield match, None, 0, function, flags
            continue
        count = 0
        for cell in cells:
            if cell not in DIGITS:
                break
            count = count * 10 + DIGITS[cell]
        else:
            yield match, -count if low[1] & 8 else count, exponent, function, flags


FRAME9922 = re.compile(rb"([+-])(\d{4}|\?0:\?) ([0124])(.)(.)(.)(.).\r\n", re.DOTALL)


def fs9922(data):
    for match in FRAME9922.finditer(data):
        sign, digits, point, *signs = match.groups()
        sb1, sb2, sb3, sb4 = (byte[0] for byte in signs)
        exponent = -{b"0": 0, b"1": 3, b"2": 2, b"4": 1}[point]
        for bit, power in ((128, -6), (64, -3), (32, 3), (16, 6)):
            if sb3 & bit:
                exponent += power
        function = "diode" if sb3 & 4 else "ohm" if sb4 & 32 else "volt" if sb4 & 128 else "other"
        flags = (sb1 & 6) | (sb2 & 0x3C) << 4
        if digits == b"?0:?":
            yield match, None, 0, function, flags
        else:
            yield match, int(sign + digits), exponent, function, flags


BLOCK14 = re.compile(rb"([0-?])(\d{5})([0-?])([0-?])([0-?])([0-?])([0-?])([0-?])\r\n")
VOLT14 = {b"0": -4, b"1": -3, b"2": -2, b"3": -1, b"4": -5}


def es14(data):
    for match in BLOCK14.finditer(data):
        size, digits, function, status, *options = match.groups()
        options = [option[0] & 15 for option in options]
        state = status[0] & 15
        if function == b"1":
            exponent = -4
        elif function == b";":
            exponent = VOLT14[size]
        elif function == b"3":
            exponent = int(size) - 2
        else:
            exponent = -2
        flags = options[0] | options[3] << 4 | (state & 2) << 8
        count = None if state & 1 else -int(digits) if state & 4 else int(digits)
        yield match, count, exponent, function, flags


# Bytes of odd parity without their parity bit; the others become a byte that is in no frame.
ODD = bytes(byte & 0x7F if bin(byte).count("1") % 2 else 0xFF for byte in range(256))


def es14_8n1(data):
    yield from es14(data.translate(ODD))


BLOCK11 = re.compile(rb"([0-?])(\d{4})([0-?])([0-?])([01])([0-?])\r\n")


def es11(data):
    first = None
    for match in BLOCK11.finditer(data):
        if match.group() != first:
            first = match.group()
            continue
        first = None
        size, digits, function, status, _, option = match.groups()
        state = status[0] & 15
        if function == b";":
            exponent = int(size) - 4
        elif function == b"3":
            exponent = int(size) - 1
        else:
            exponent = -3 if function == b"1" else -1
        count = None if state & 1 else -int(digits) if state & 4 else int(digits)
        yield match, count, exponent, function, (state & 2) | (option[0] & 3) << 2


FRAME14 = re.compile(rb"([A-Z]{2})([ -~]{7})([ -~]{4})[\r\n]")


def d14(data):
    for match in FRAME14.finditer(data):
        mode, value, unit = match.groups()
        yield (match, *shown(value, UNITS[unit.strip()]), mode, 0)


FRAME16 = re.compile(rb"\x024([12])(..)([01])([0-3])(\d{8})\r")
UNITS16 = {b"46": 0, b"34": 0, b"18": -3, b"38": 0, b"39": 3, b"40": 6}


def t16(data):
    for match in FRAME16.finditer(data):
        _, unit, sign, decimals, digits = match.groups()
        count = int(digits)
        yield match, -count if sign == b"1" else count, UNITS16[unit] - int(decimals), unit, 0


LINE183 = re.compile(rb"([0-9AB])([01])(\d) (.{6})[\r\n]")
POWER183 = {b"0": 0, b"1": 0, b"2": 0, b"3": -3, b"6": 0}


def tpi183(data):
    for match in LINE183.finditer(data):
        function, auto, size, text = match.groups()
        power = POWER183[function]
        if function == b"1":
            power = (0, 3, 3, 3, 6, 6)[int(size)]
        yield (match, *shown(text, power), function, int(auto))


LINE196 = re.compile(rb"2 ([A-Z]{3}) +(\S+) (\S+) ?[\r\n]")


def tpi196(data):
    for match in LINE196.finditer(data):
        function, value, unit = match.groups()
        yield (match, *shown(value, UNITS[unit]), function, 0)


LINE8012 = re.compile(rb"(\S+) (\S+)[\r\n]")


def hm8012(data):
    for match in LINE8012.finditer(data):
        value, unit = match.groups()
        yield (match, *shown(value, UNITS[unit]), None, 0)


LINE = re.compile(rb"([^;\r\n]*);([^;\r\n]*);([^;\r\n]*)[\r\n]+")


def line(data):
    for match in LINE.finditer(data):
        function, value, unit = match.groups()
        if value.lstrip(b"-") in (b"OVER", b"", b"OL", b"O.L"):
            yield match, None, 0, function, 0
            continue
        count, exponent = number(value.replace(b",", b"."), UNITS[unit])
        yield (match, None, 0, function, 0) if exponent > 30 else (match, count, exponent, function, 0)


def listen(decode, data):
    """All readings of a stream that comes in chunks."""
    waiting = b""
    for index, begin in enumerate(range(0, len(data), CHUNK)):
        at = index * 1000
        waiting += data[begin : begin + CHUNK]
        length = len(waiting)
        used = 0
        for match, count, exponent, function, flags in decode(waiting):
            start, used = match.span()
            first = at - (length - 1 - start) * BYTE_TIME_US
            last = at - (length - used) * BYTE_TIME_US
            yield Reading(first, last, count, exponent, function, flags)
        waiting = waiting[used:]


def main():
    decode = globals()[sys.argv[1].replace("-", "_")]
    with open(sys.argv[2], "rb") as file:
        data = file.read()
    best = None
    for _ in range(10):
        begin = time.process_time()
        readings = total = 0
        for reading in listen(decode, data):
            readings += 1
            total += reading.count or 0
        taken = time.process_time() - begin
        best = taken if best is None else min(best, taken)
    print(readings, total, best)


main()
