"""Writes the analyser files of fixtures/, the same bytes each time: python -m tools.fixture_readings"""

import os
import random
from pathlib import Path

FIXTURES = Path(__file__).resolve().parent.parent / "fixtures"
HEADER = "running_number,serial,value,unit,flag,read_at"
GOOD, BAD_FROM = 40, 41
AT_OR_ABOVE = {7: "236.4", 19: "99.75", 33: ">1000"}


def readings_good() -> bytes:
    """Forty readings in ng/mL of the kits 1 to 40, three of them at or above 20 µg/g with 12 mg in 2.4 mL."""
    from screening.serials import serial_make

    draw = random.Random(40)  # noqa: S311 - invented values, the same each time
    lines = [HEADER]
    for n in range(1, GOOD + 1):
        low = "<4" if n % 9 == 0 else "0" if draw.random() < 0.5 else f"{draw.lognormvariate(2.2, 0.8):.1f}"
        lines.append(f"{n},{serial_make(n)},{AT_OR_ABOVE.get(n, low)},ng/mL,,")
    return ("\n".join(lines) + "\n").encode()


def bad_rows() -> list[tuple[str, str, str, str, str]]:
    """(serial, value, unit, flag, the verdict it gets) of the kits 41 and up, in the order of the file."""
    from screening.serials import serial_make

    kits = iter(serial_make(n) for n in range(BAD_FROM, 100))
    first, misread = next(kits), serial_make(90)
    misread = misread[:-1] + ("0" if misread[-1] != "0" else "1")
    rows = [(first, "12.4", "ng/mL", "", "taken"), (next(kits), ">200", "ng/mL", "", "taken")]
    rows += [(next(kits), "<4", "ng/mL", "", "taken"), (next(kits), "", "ng/mL", "CLOT", "taken")]
    rows += [
        (next(kits), value, "ng/mL", "", verdict)
        for value, verdict in [
            ("", "reading_blank"), ("---", "reading_dashes"), ("OVER", "reading_word_for_limit"), ("NaN", "reading_not_a_number"),
            ("-3", "reading_negative"), ('"12,5"', "reading_decimal_comma"), ("see note", "reading_text"),
        ]
    ]  # fmt: skip
    rows += [(next(kits), "3.1", "ug/g", "", "wrong_unit"), (next(kits), "3.1", "mg/L", "", "unknown_unit")]
    return [
        *rows, (serial_make(999_999_999), "5", "ng/mL", "", "unknown_serial"), (misread, "5", "ng/mL", "", "serial_check"),
        ("VIAL7", "5", "ng/mL", "", "serial_length"), (first, "640", "ng/mL", "", "already_measured"),
    ]  # fmt: skip


def readings_bad() -> bytes:
    """Every fault one file can have; at its end the running number jumps, which holds the last two lines."""
    from screening.serials import serial_make

    lines = [HEADER]
    number = BAD_FROM
    for number, (serial, value, unit, flag, _verdict) in enumerate(bad_rows(), start=BAD_FROM):
        lines.append(f"{number},{serial},{value},{unit},{flag},")
    lines += [f"{number + 2 + n},{serial_make(70 + n)},5,ng/mL,," for n in range(2)]
    return ("\n".join(lines) + "\n").encode()


MESSAGE_KITS = (72, 73, 74)
"""Kits of the message files: a number, a value over the scale, and one that could not be obtained."""


def readings_hl7() -> bytes:
    """Three ORU^R01 messages without a time of reading: the moment of loading counts."""
    from screening.serials import serial_make

    out = []
    values = [("NM", "12.4", "F"), ("SN", ">^1000", "F"), ("ST", "", "X")]
    for nth, (kit, (kind, value, status)) in enumerate(zip(MESSAGE_KITS, values, strict=True), start=1):
        out += [
            f"MSH|^~\\&|Q1|LAB|REGISTRY|PROGRAMME|20260617100000||ORU^R01^ORU_R01|FIX{nth:05}|P|2.5.1",
            "PID|1",
            f"OBR|1||{serial_make(kit)}|58453-2^Hemoglobin^LN",
            f"OBX|1|{kind}|58453-2^Hemoglobin^LN||{value}|ng/mL|||||{status}",
            *(["NTE|1||LOW VOLUME"] if status == "X" else []),
        ]
    return ("\r".join(out) + "\r").encode()


def readings_lis2() -> bytes:
    """The same three results as LIS2-A2 records."""
    from screening.serials import serial_make

    rows = [r"H|\^&|||Q1|||||||P|LIS2-A2|20260617100000", "P|1"]
    values = [("12.4", "F"), (">1000", "F"), ("", "X")]
    for nth, (kit, (value, status)) in enumerate(zip(MESSAGE_KITS, values, strict=True), start=1):
        rows += [f"O|{nth}|{serial_make(kit)}||^^^FHB|R", f"R|1|^^^FHB|{value}|ng/mL||||{status}"]
        rows += ["C|1|I|LOW VOLUME|I"] if status == "X" else []
    return ("\r".join([*rows, "L|1|N"]) + "\r").encode()


def main() -> None:
    """Write the files."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    os.environ.setdefault("ROUNDBOOK_NO_DATABASE", "1")
    import django

    django.setup()
    FIXTURES.mkdir(exist_ok=True)
    (FIXTURES / "readings_good.csv").write_bytes(readings_good())
    (FIXTURES / "readings_bad.csv").write_bytes(readings_bad())
    (FIXTURES / "readings.hl7").write_bytes(readings_hl7())
    (FIXTURES / "readings.lis2").write_bytes(readings_lis2())


if __name__ == "__main__":
    main()
