"""The verdicts on lines of a readings file, in a few words each."""

from typing import TYPE_CHECKING

from django.utils.translation import gettext_lazy as _

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

VERDICTS: "dict[str, StrOrPromise]" = {
    "taken": _("taken"),
    "already_stored": _("stored before"),
    "sequence_broken": _("held: running numbers break"),
    "columns": _("not six columns"),
    "serial_empty": _("no serial"),
    "serial_length": _("serial too long or too short"),
    "serial_prefix": _("not our serial"),
    "serial_characters": _("serial with a wrong character"),
    "serial_check": _("serial misread"),
    "unknown_serial": _("unknown serial"),
    "not_returned": _("kit not logged as ready"),
    "same_as_before": _("like an earlier reading, without a time"),
    "already_measured": _("already measured"),
    "not_on_the_bench": _("taken off the bench"),
    "unknown_unit": _("unknown unit"),
    "wrong_unit": _("not the run's unit"),
    "reading_blank": _("no value"),
    "reading_dashes": _("dashes for a value"),
    "reading_not_a_number": _("not a number"),
    "reading_negative": _("negative"),
    "reading_decimal_comma": _("decimal comma"),
    "reading_comparator": _("sign other than < or >"),
    "reading_word_for_limit": _("word for a limit"),
    "reading_below_nothing": _("less than nothing"),
    "reading_text": _("text for a value"),
    "reading_too_large": _("larger than any reading"),
    "read_at": _("unreadable time"),
    "read_in_the_future": _("time still to come"),
    "read_before_the_run": _("read before the run"),
    "over_age": _("sample too old"),
    "corrected": _("corrected value, look at both"),
    "cancelled": _("taken back by the analyser"),
    "preliminary": _("preliminary"),
    "other_test": _("another test"),
    "code_unit_disagree": _("test code means another unit"),
    "limit_flag_disagrees": _("off the scale without < or >"),
    "status_unknown": _("unknown status"),
    "qualitative_only": _("only yes or no"),
    "limit_differs": _("only yes or no, at another limit than the cutoff"),
    "analyser_contradicts": _("value and interpretation disagree"),
    "value_type": _("unknown type of value"),
    "specimens_differ": _("two specimens named"),
    "message_type": _("not a result message"),
    "message_version": _("version not supported"),
    "not_production": _("test or training message"),
    "no_results": _("no result in it"),
    "not_hl7": _("not HL7"),
    "not_lis2": _("not LIS2"),
    "delimiters": _("unusable delimiters"),
    "too_many_segments": _("too many segments"),
    "charset": _("unknown character set"),
    "readings_encoding": _("not in its character set"),
    "query": _("a question to us"),
    "no_end": _("no end record"),
    "too_large": _("too long"),
    "cut_frame": _("cut or stray frame"),
    "cut_session": _("line went down"),
    "checksum": _("damaged frames"),
    "frame_number": _("frames missing"),
    "not_stored": _("could not be stored"),
    "no_enquiry": _("began without asking"),
}


def verdict_words(verdict: str) -> "StrOrPromise":
    """A verdict in words; the code itself for one that is not listed."""
    return VERDICTS.get(verdict, verdict)
