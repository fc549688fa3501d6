"""Writes letter texts: a draft, looked over in every variant, approved by a second person, in force from a day."""

from datetime import date

from django.db.models import Max
from django.utils.translation import gettext_lazy as _

from outreach.catalogue import KINDS
from outreach.letters.texts import SHARED, text_problems, texts_delivered
from outreach.models import LetterText
from staff.access import require_role
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import User
from staff.roles import Role

WRITERS = (Role.CLINICIAN, Role.MANAGER, Role.ADMINISTRATOR)


def text_draft(*, by: User, kind: str, words: str, why: str) -> LetterText:
    """Write the draft of a kind's next version, or change it; refused while anything is wrong with the words."""
    require_role(by, *WRITERS)
    if kind not in KINDS:
        raise RoundbookError("kind_unknown", _("Choose a letter from the list."))
    words = "\n".join(line.rstrip() for line in words.strip().splitlines()) + "\n"
    problems = text_problems(kind, words)
    if problems:
        raise RoundbookError("text_not_usable", " ".join(problems), problems=problems)
    if not why.strip():
        raise RoundbookError("why_missing", _("Write what you changed and why. Nothing was saved."))
    with acting(by, reason=why) as frame:
        last = LetterText.objects.filter(kind=kind).aggregate(n=Max("number"))["n"] or 0
        delivered = max(text.number for text in texts_delivered() if text.kind == kind)
        text, _new = LetterText.objects.update_or_create(
            kind=kind, approved_by=None,
            defaults={
                "words": words, "why": why.strip()[:200], "proposed_by": by, "proposed_at": frame.now, "shared": SHARED,
            },
            create_defaults={
                "words": words, "why": why.strip()[:200], "proposed_by": by, "proposed_at": frame.now, "shared": SHARED,
                "number": max(last, delivered) + 1,
            },
        )  # fmt: skip
    return text


def text_approve(*, by: User, text: LetterText, valid_from: date) -> LetterText:
    """A second person puts a draft in force from a day on; letters frozen before keep their words."""
    require_role(by, *WRITERS)
    with acting(by, reason="letter text approved") as frame:
        locked = LetterText.objects.select_for_update().get(pk=text.pk)
        if locked.approved_by_id is not None:
            raise RoundbookError("text_approved", _("This version is approved already."))
        if locked.proposed_by_id == by.pk:
            raise RoundbookError(
                "second_person_missing", _("Somebody else approves what you wrote. Nothing was changed.")
            )
        if valid_from < frame.today:
            raise RoundbookError(
                "day_in_the_past", _("A text comes into force today or later. Choose another day.")
            )
        problems = text_problems(locked.kind, locked.words)
        if problems:
            raise RoundbookError("text_not_usable", " ".join(problems), problems=problems)
        locked.approved_by, locked.approved_at, locked.valid_from = by, frame.now, valid_from
        locked.save(update_fields=["approved_by", "approved_at", "valid_from"])
    return locked


def text_drop(*, by: User, text: LetterText) -> None:
    """Throw a draft away; what is approved stands for ever."""
    require_role(by, *WRITERS)
    with acting(by, reason="letter text draft dropped"):
        LetterText.objects.filter(pk=text.pk, approved_by=None).delete()
