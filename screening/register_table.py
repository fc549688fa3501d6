"""How a register load reads on a page: its state with a tone, its counts, and its columns in words."""

from dataclasses import dataclass

from django.utils.translation import gettext as _

from screening.models import Person, RegisterLoad

TONES = {
    RegisterLoad.Status.STAGED: "note",
    RegisterLoad.Status.HELD: "warn",
    RegisterLoad.Status.REFUSED: "stop",
    RegisterLoad.Status.APPLIED: "ok",
    RegisterLoad.Status.DISCARDED: "quiet",
}


@dataclass(frozen=True)
class Summary:
    """One load as a row of the list."""

    load: RegisterLoad
    tone: str
    word: str
    thrown_away: bool

    @property
    def in_list(self) -> str:
        """The word where the counts beside it say the rest."""
        return _("thrown away") if self.thrown_away else self.word


def load_summary(load: RegisterLoad) -> Summary:
    """The load with its state in a word and a tone."""
    thrown_away = load.status == RegisterLoad.Status.DISCARDED
    word = _("thrown away: nothing of it was written") if thrown_away else str(load.get_status_display())
    return Summary(load, TONES[RegisterLoad.Status(load.status)], word, thrown_away)


def field_label(column: str) -> str:
    """The words for a column of a person."""
    field = Person._meta.get_field(column.removesuffix("_id"))
    return str(getattr(field, "verbose_name", column))
