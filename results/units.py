"""Readings as text and concentrations as exact numbers: parsing, ng/mL to µg/g, rounding; pure rules.

A concentration is a ``fractions.Fraction`` in µg Hb per g stool, so that every pair of buffer volume and
stool mass (1.7 mL and 10 mg, 2.0 mL and 2.4 mg) is exact. ``exact_decimal`` writes one down for storage.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from typing import TYPE_CHECKING, Literal

from django.utils.functional import Promise
from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy as _

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

Comparator = Literal["", "<", ">"]


class Unit(StrEnum):
    """The two units an analyser may report in."""

    NG_PER_ML = "ng/mL"
    UG_PER_G = "ug/g"


class ReadingErrorCode(StrEnum):
    """Why a text is not a reading, or why a number cannot be converted."""

    BLANK = "reading_blank"
    DASHES = "reading_dashes"
    NOT_A_NUMBER = "reading_not_a_number"
    NEGATIVE = "reading_negative"
    DECIMAL_COMMA = "reading_decimal_comma"
    COMPARATOR = "reading_comparator"
    WORD_FOR_LIMIT = "reading_word_for_limit"
    BELOW_NOTHING = "reading_below_nothing"
    TEXT = "reading_text"
    UNIT = "reading_unit"
    KIT_MODEL = "reading_kit_model"


class ReadingError(ValueError):
    """A reading that is refused by name: a stable code and a sentence that says what to do next."""

    def __init__(self, code: ReadingErrorCode, sentence: StrOrPromise) -> None:
        super().__init__(code.value)
        self.code = code
        self.sentence: str | Promise = sentence


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number with its comparator: ``''`` exactly this, ``'<'`` less than this, ``'>'`` more than this."""

    comparator: Comparator
    value: Decimal

    def __str__(self) -> str:
        return f"{self.comparator}{self.value}"


_READING = re.compile(r"([<>]?)[ \t]*([0-9]{1,9}(?:\.[0-9]{1,9})?)")
_COMMA = re.compile(r"[<>]?\s*[0-9]+,[0-9]+")
_NEGATIVE = re.compile(r"[<>]?\s*[-\u2212]\s*[0-9]")
_OTHER_COMPARATOR = re.compile(r"(?:[≥≤≧≦~≈=±+]|<=|>=|=<|=>|<<|>>|<>|><).*")
_DASHES = re.compile(r"[-\u2010-\u2015\u2212*.#?_]+")
_NAN = frozenset({"nan", "n/a", "na", "inf", "infinity", "-inf", "+inf", "null", "none", "nil", "#n/a"})
_LIMIT_WORDS = frozenset(
    {"over", "under", "high", "low", "hi", "lo", "above", "below", "overrange", "underrange"}
)


def parse_reading(text: str) -> Quantity:
    """The quantity an analyser or a person wrote: ``23.4``, ``<4``, ``< 4``, ``>200``; nothing else,
    never a guess.

    ReadingError by name for blank, dashes, not-a-number, negative, decimal comma (it may be a thousands
    mark), other comparators, words such as OVER, ``<0``, and any other text, units in the field included.
    Source: comparators for values outside the measuring range as in Fraser and Benton, CCLM 2018, doi
    10.1515/cclm-2018-0464 (from memory); refusing rather than guessing is common practice.
    """
    stripped = text.strip()
    match = _READING.fullmatch(stripped)
    if match is None:
        code = _refusal(stripped)
        raise ReadingError(code, _refusal_sentence(code, stripped))
    comparator: Comparator = "<" if match[1] == "<" else ">" if match[1] == ">" else ""
    value = Decimal(match[2])
    if comparator == "<" and value == 0:
        raise ReadingError(
            ReadingErrorCode.BELOW_NOTHING, _refusal_sentence(ReadingErrorCode.BELOW_NOTHING, stripped)
        )
    return Quantity(comparator, value)


def _refusal(stripped: str) -> ReadingErrorCode:
    """The name of what is wrong with a text that is not a reading."""
    word = stripped.lower()
    if not word:
        return ReadingErrorCode.BLANK
    if word in _NAN:
        return ReadingErrorCode.NOT_A_NUMBER
    if word.strip("<> ").replace(" ", "").replace("-", "") in _LIMIT_WORDS:
        return ReadingErrorCode.WORD_FOR_LIMIT
    patterns = (
        (_DASHES, ReadingErrorCode.DASHES),
        (_COMMA, ReadingErrorCode.DECIMAL_COMMA),
        (_OTHER_COMPARATOR, ReadingErrorCode.COMPARATOR),
    )
    for pattern, code in patterns:
        if pattern.fullmatch(stripped):
            return code
    return ReadingErrorCode.NEGATIVE if _NEGATIVE.match(stripped) else ReadingErrorCode.TEXT


_REFUSALS: dict[ReadingErrorCode, StrOrPromise] = {
    ReadingErrorCode.BLANK: _("The reading is empty. Look it up on the analyser, or repeat the measurement."),
    ReadingErrorCode.DASHES: _(
        "“{text}” holds no number. Look at the analyser's flag, or repeat the measurement."
    ),
    ReadingErrorCode.NOT_A_NUMBER: _("“{text}” is not a number. Repeat the measurement."),
    ReadingErrorCode.NEGATIVE: _(
        "“{text}” is negative, which no sample can be. Check the calibration, then repeat."
    ),
    ReadingErrorCode.DECIMAL_COMMA: _(
        "“{text}” has a comma, which can mean two things. Send it with a point."
    ),
    ReadingErrorCode.COMPARATOR: _("“{text}” begins with a sign other than < or >. Send the number, < or >."),
    ReadingErrorCode.WORD_FOR_LIMIT: _(
        "“{text}” names no limit. Send the limit as a number, such as >200 or <4."
    ),
    ReadingErrorCode.BELOW_NOTHING: _(
        "“{text}” is less than nothing. Check the lower limit set on the analyser."
    ),
    ReadingErrorCode.TEXT: _(
        "“{text}” is not a reading. Send a number with a point, or < or > and a number."
    ),
}


def _refusal_sentence(code: ReadingErrorCode, text: str) -> StrOrPromise:
    shown = text if len(text) <= 40 else text[:39] + "…"
    return format_lazy("{sentence}", sentence=_Filled(_REFUSALS[code], shown))


class _Filled:
    """A translatable sentence with the refused text filled in when it is shown; braces in the text are
    harmless."""

    def __init__(self, sentence: StrOrPromise, text: str) -> None:
        self._sentence, self._text = sentence, text

    def __str__(self) -> str:
        return str(self._sentence).replace("{text}", self._text)


def to_ug_per_g(raw: Decimal, unit: str, buffer_ml: Decimal, mass_mg: Decimal) -> Fraction:
    """µg Hb per g stool, exactly: ng/mL × buffer mL ÷ stool mg; a value in ``ug/g`` is returned as it is.

    ``buffer_ml`` and ``mass_mg`` come from the kit model version in force. ReadingError for an unknown
    unit, a volume or mass that is not above zero, or a value that is negative or not finite. Source:
    Fraser et al., J Natl Cancer Inst 2012 (units for faecal haemoglobin): dimension (ng/mL × mL) / mg =
    µg/g.
    """
    if not raw.is_finite() or raw < 0:
        code = ReadingErrorCode.NOT_A_NUMBER if not raw.is_finite() else ReadingErrorCode.NEGATIVE
        raise ReadingError(code, _refusal_sentence(code, str(raw)))
    if unit == Unit.UG_PER_G:
        return Fraction(raw)
    if unit != Unit.NG_PER_ML:
        raise ReadingError(
            ReadingErrorCode.UNIT,
            format_lazy(_("The unit {unit} is not known; send ng/mL or ug/g."), unit=unit),
        )
    return Fraction(raw) * _factor(buffer_ml, mass_mg)


def to_ng_per_ml(ug_per_g: Decimal | Fraction, buffer_ml: Decimal, mass_mg: Decimal) -> Fraction:
    """ng Hb per mL buffer, exactly: the inverse of ``to_ug_per_g``; for the laboratory's eyes only. Same
    errors."""
    return Fraction(ug_per_g) / _factor(buffer_ml, mass_mg)


def _factor(buffer_ml: Decimal, mass_mg: Decimal) -> Fraction:
    """µg/g for each ng/mL of a kit model."""
    if not (buffer_ml.is_finite() and mass_mg.is_finite() and buffer_ml > 0 and mass_mg > 0):
        raise ReadingError(
            ReadingErrorCode.KIT_MODEL,
            _(
                "The kit model has no buffer volume or no stool mass above zero. "
                "Complete the kit model first."
            ),
        )
    return Fraction(buffer_ml) / Fraction(mass_mg)


def round_half_up(value: Decimal | Fraction, decimals: int) -> Decimal:
    """The value at so many decimals, halves away from zero, rounded once from the exact value; keeps
    trailing zeros.

    ValueError for a negative number of decimals. Source: ruling R4, ``reported = round half up``.
    """
    if decimals < 0:
        raise ValueError("decimals must be 0 or more")
    exact = Fraction(value)
    scaled = abs(exact) * 10**decimals + Fraction(1, 2)
    units = scaled.numerator // scaled.denominator
    return Decimal((int(exact < 0 and units > 0), tuple(int(d) for d in str(units)), -decimals))


def exact_decimal(value: Fraction, decimals: int = 12) -> Decimal:
    """The concentration written down for storage at twelve decimals, trailing zeros dropped; never
    compared."""
    rounded = round_half_up(value, decimals)
    text = format(rounded, "f").rstrip("0").rstrip(".") if decimals else format(rounded, "f")
    return Decimal(text)
