"""Reprints: places of a print run once more from the same frozen words, and the sheet that checks a run by eye."""

from dataclasses import dataclass

from django.utils.translation import gettext_lazy as _

from outreach.letters.render import Rendered, Sheet, letters_render
from outreach.models import PrintedLetter, PrintRun, Reprint
from outreach.services.stopping import stops_found
from staff.access import require_role
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import User
from staff.roles import Role

ALONE_AT_MOST = 20
"""More papers than this are printed again only with a second person, who saw the first ones destroyed."""
ONE_IN = 25
OFFICE = (Role.PHONE_DESK, Role.COORDINATOR, Role.ADMINISTRATOR)


def reprint_ask(
    *, by: User, print_run: PrintRun, first: int, last: int, reason: str, destroyed: bool,
    agreed_by: User | None = None,
) -> Reprint:  # fmt: skip
    """Write down that places of a run are printed again, and why; only before the hand-over.

    The first papers must be destroyed. More than ALONE_AT_MOST papers need another person who agrees.
    """
    require_role(by, *OFFICE)
    with acting(by, reason=f"reprint: {reason}") as frame:
        run = PrintRun.objects.select_for_update().get(pk=print_run.pk)
        _checked(run, first, last, reason, destroyed)
        if last - first + 1 > ALONE_AT_MOST:
            if agreed_by is None or agreed_by.pk == by.pk:
                raise RoundbookError(
                    "second_person_missing",
                    _(
                        "More than %(n)s papers are printed again only when another person agrees. Nothing was changed."
                    )
                    % {"n": ALONE_AT_MOST},
                )
            require_role(agreed_by, *OFFICE)
        return Reprint.objects.create(
            print_run=run, first=first, last=last, reason=reason, destroyed=destroyed, asked_by=by,
            asked_at=frame.now, agreed_by=agreed_by,
        )  # fmt: skip


def _checked(run: PrintRun, first: int, last: int, reason: str, destroyed: bool) -> None:
    if run.status != PrintRun.Status.READY:
        raise RoundbookError(
            "not_at_the_desk", _("Only a run at the sealing desk can be printed again. Nothing was changed.")
        )
    if reason not in Reprint.Reason.values:
        raise RoundbookError("reason_missing", _("Choose why from the list. Nothing was changed."))
    if not destroyed:
        raise RoundbookError(
            "not_destroyed",
            _("Destroy the first papers, then say so. Otherwise two could leave. Nothing was changed."),
        )
    if not 1 <= first <= last <= run.letters_count:
        raise RoundbookError(
            "range_unknown",
            _("This run has the places 1 to %(last)s. Write the first and the last place to print again.")
            % {"last": run.letters_count},
        )


def reprint_render(*, reprint: Reprint) -> Rendered:
    """The papers of a reprint, from the words frozen for the run, without any that is stopped or pulled."""
    places = PrintedLetter.objects.filter(
        print_run=reprint.print_run, position__range=(reprint.first, reprint.last), pulled=""
    ).select_related("letter")
    found = list(places.order_by("position"))
    stops = stops_found([place.letter_id for place in found])
    sheets = [
        Sheet(place.token, place.letter.text_version, place.letter.context or {}, place.letter.checksum)
        for place in found
        if place.letter_id not in stops
    ]
    if not sheets:
        raise RoundbookError(
            "nothing_to_print", _("Every letter of this range is stopped. Nothing is printed.")
        )
    return letters_render(
        sheets, title=f"Print run {reprint.print_run.number}, places {reprint.first} to {reprint.last}"
    )


@dataclass(frozen=True)
class CheckRow:
    """One letter to take out of the pile and look at."""

    printed: PrintedLetter
    why: str


def check_rows(print_run: PrintRun) -> list[CheckRow]:
    """The first and the last letter, one in ONE_IN, and those with the longest and the shortest name."""
    places = list(
        PrintedLetter.objects.filter(print_run=print_run, pulled="")
        .select_related("letter__person")
        .order_by("position")
    )
    if not places:
        return []
    by_name = sorted(
        places, key=lambda place: len(str((place.letter.context or {}).get("recipient_name", "")))
    )
    chosen: dict[int, str] = {}
    for place in places[ONE_IN - 1 :: ONE_IN]:
        chosen[place.position] = str(_("one in %(n)s") % {"n": ONE_IN})
    chosen |= {by_name[0].position: str(_("shortest name")), by_name[-1].position: str(_("longest name"))}
    chosen |= {places[-1].position: str(_("last")), places[0].position: str(_("first"))}
    return [CheckRow(place, chosen[place.position]) for place in places if place.position in chosen]


def counts_agree(print_run: PrintRun) -> bool:
    """Whether the pages of all letters add up to the pages of the document: persons times pages."""
    pages = list(PrintedLetter.objects.filter(print_run=print_run).values_list("pages", flat=True))
    return None not in pages and sum(page or 0 for page in pages) == print_run.pages_count
