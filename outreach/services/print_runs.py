"""Print runs: letters collected once, pulled by hand where a stop came late, handed over at most once."""

from collections.abc import Mapping, Sequence
from datetime import date

from django.db import connection
from django.utils.translation import gettext_lazy as _

from outreach.catalogue import KINDS
from outreach.letters.tokens import token_for, token_read
from outreach.models import Letter, PrintedLetter, PrintRun
from outreach.querysets import rows_of
from outreach.services.stopping import stops_applied, stops_carried_out, stops_found
from outreach.stops import Stop
from staff.acting import Acting, acting
from staff.errors import RoundbookError
from staff.ledger.moves import make_moves
from staff.ledger.registry import ledger_of
from staff.models import User

LETTERS_A_DOCUMENT = 250
"""More letters than this are split into several print runs, so that laying one out needs a bounded memory."""
_NUMBERING = 726_101


def print_run_make(*, by: User, kind: str = "", limit: int = LETTERS_A_DOCUMENT) -> PrintRun:
    """Collect up to `limit` frozen letters (of one kind, or of all) into a new print run; stops are asked again.

    Letters go by kind, then by postcode. Each letter is in exactly one print run: rows another run is taking are
    skipped, and the database refuses a second place. When nothing is ready the run returned has the status `empty`
    and was not stored. A run of more than LETTERS_A_DOCUMENT letters cannot be rendered as one document.
    """
    with acting(by) as frame:
        while ids := _collected(kind, limit, frame.today):
            going, _stopped = stops_applied(by=by, letter_ids=ids, rule="printing")
            if going:
                return _run_of(going, by=by, kind=kind, frame=frame)
        return PrintRun(
            status=PrintRun.Status.EMPTY, kind=kind, made_on=frame.today, made_at=frame.now, made_by=by
        )


_COLLECT = """
SELECT l.id FROM outreach_letter l JOIN screening_person p ON p.id = l.person_id
WHERE l.state = 'frozen' AND l.channel = 'post' AND (%(kind)s = '' OR l.kind = %(kind)s)
  AND (l.not_before IS NULL OR l.not_before <= %(today)s)
  AND (l.kind <> 'doctor_copy' OR %(kind)s = '' OR NOT EXISTS (
        SELECT 1 FROM outreach_letter o WHERE o.result_id = l.result_id AND o.kind IN ('result_more_tests', 'corrected_result')
        AND o.state = 'frozen'))
ORDER BY array_position(%(kinds)s::text[], l.kind::text), p.postcode, l.id
LIMIT %(limit)s FOR NO KEY UPDATE OF l SKIP LOCKED
"""


def _collected(kind: str, limit: int, today: date) -> list[int]:
    return [
        r["id"]
        for r in rows_of(_COLLECT, {"kind": kind, "today": today, "kinds": list(KINDS), "limit": limit})
    ]


def _run_of(letter_ids: Sequence[int], *, by: User, kind: str, frame: Acting) -> PrintRun:
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(%s)", [_NUMBERING])
    nth = PrintRun.objects.filter(made_on=frame.today).count() + 1
    run = PrintRun.objects.create(
        number=f"P{frame.today:%y%m%d}-{nth}", kind=kind, made_on=frame.today, made_at=frame.now, made_by=by,
        letters_count=len(letter_ids),
    )  # fmt: skip
    places = range(1, len(letter_ids) + 1)
    with connection.cursor() as cursor:
        cursor.execute(
            "INSERT INTO outreach_printedletter (print_run_id, letter_id, position, token, pulled)"
            " SELECT %(run)s, t.*, '' FROM unnest(%(ids)s::bigint[], %(places)s::int[], %(tokens)s::text[]) AS t",
            {
                "run": run.pk,
                "ids": list(letter_ids),
                "places": list(places),
                "tokens": [token_for(run.pk, n) for n in places],
            },
        )
    moved = make_moves(
        ledger_of(Letter),
        "print",
        source="SELECT unnest(%(ids)s::bigint[]) AS id",
        params={"ids": list(letter_ids), "number": run.number},
        values={"due_on": "s.due_on", "pool": "'office'", "note": "%(number)s"},
    )
    if moved != len(letter_ids):
        raise RoundbookError(
            "print_run_uneven", _("Not every letter could be taken. Nothing was changed; try again.")
        )
    return run


def pulls_of(print_run: PrintRun) -> dict[int, Stop]:
    """Letters of the run that must come out of the pile before it is handed over, and why."""
    waiting = PrintedLetter.objects.filter(print_run=print_run, pulled="", letter__state="printed")
    return stops_found(list(waiting.values_list("letter_id", flat=True)))


def print_run_pull(*, by: User, print_run: PrintRun, token: str) -> PrintedLetter:
    """Take one stopped letter's paper out of the pile; the letter is cancelled, held or superseded as its stop says.

    Refuses a letter that nothing stops: its paper belongs in the post.
    """
    with acting(by):
        locked = PrintRun.objects.select_for_update().get(pk=print_run.pk)
        place = token_read(token)
        printed = PrintedLetter.objects.filter(print_run=locked, position=place[1] if place else 0).first()
        if place is None or place[0] != locked.pk or printed is None:
            raise RoundbookError(
                "token_unknown",
                _("No letter of this print run has the token “%(token)s”.") % {"token": token},
            )
        if printed.pulled:
            return printed
        _refuse_handed_over(locked)
        stops = stops_found([printed.letter_id])
        if not stops:
            raise RoundbookError("not_stopped", _("Nothing stops this letter. Put it back into the pile."))
        _pulled(by=by, stops=stops)
        printed.refresh_from_db()
    return printed


def _pulled(*, by: User, stops: Mapping[int, Stop]) -> None:
    stops_carried_out(by=by, stops=stops, rule="hand_over")
    with connection.cursor() as cursor:
        cursor.execute(
            "UPDATE outreach_printedletter x SET pulled = w.why"
            " FROM unnest(%s::bigint[], %s::text[]) AS w(id, why) WHERE x.letter_id = w.id AND x.pulled = ''",
            [list(stops), [stop.code.value for stop in stops.values()]],
        )


def _refuse_handed_over(run: PrintRun) -> None:
    if run.status == PrintRun.Status.HANDED_OVER:
        raise RoundbookError(
            "handed_over_already", _("This print run has been handed over. Nothing can be pulled.")
        )


def print_run_hand_over(*, by: User, print_run: PrintRun, without_document: bool = False) -> int:
    """Record that the run went to the post; returns how many letters were handed over, 0 when it was done before.

    Stops are asked once more: stopped letters must be pulled first. `without_document` is for laying down a past in
    which nothing lies on paper: no document is asked for, and stopped letters are pulled at once.
    """
    with acting(by) as frame:
        if print_run.status == PrintRun.Status.EMPTY:
            return 0
        run = PrintRun.objects.select_for_update().get(pk=print_run.pk)
        if run.status == PrintRun.Status.HANDED_OVER:
            return 0
        if run.status != PrintRun.Status.READY and not without_document:
            raise RoundbookError(
                "not_printed", _("This print run has no document yet. Wait until it is ready to print.")
            )
        stops = pulls_of(run)
        if stops and not without_document:
            raise RoundbookError(
                "pull_first", _("Pull %(count)s letters out of the pile first. Nothing was handed over.") % {"count": len(stops)},
                count=len(stops),
            )  # fmt: skip
        if stops:
            _pulled(by=by, stops=stops)
        _refuse_before_the_person(run)
        return _handed_over(run, by=by, frame=frame)


def _handed_over(run: PrintRun, *, by: User, frame: Acting) -> int:
    moved = make_moves(
        ledger_of(Letter),
        "hand_over",
        source="SELECT letter_id AS id FROM outreach_printedletter WHERE print_run_id = %(run)s AND pulled = ''",
        params={"run": run.pk, "number": run.number},
        values={"note": "%(number)s"},
    )
    run.status = PrintRun.Status.HANDED_OVER
    run.handed_over_at, run.handed_over_by = frame.now, by
    run.save(update_fields=["status", "handed_over_at", "handed_over_by"])
    return moved


_PERSON_FIRST = """
SELECT DISTINCT other.number FROM outreach_printedletter d
JOIN outreach_letter c ON c.id = d.letter_id AND c.kind = 'doctor_copy'
JOIN outreach_letter o ON o.result_id = c.result_id AND o.kind IN ('result_more_tests', 'corrected_result')
     AND o.state = 'printed'
JOIN outreach_printedletter x ON x.letter_id = o.id AND x.pulled = '' AND x.print_run_id <> d.print_run_id
JOIN outreach_printrun other ON other.id = x.print_run_id
WHERE d.print_run_id = %(run)s AND d.pulled = '' ORDER BY 1
"""


def _refuse_before_the_person(run: PrintRun) -> None:
    """R11: a doctor's copy of a result at or above never leaves before the person's own letter."""
    first = [row["number"] for row in rows_of(_PERSON_FIRST, {"run": run.pk})]
    if first:
        raise RoundbookError(
            "person_first",
            _("Hand over %(numbers)s first: it holds the people's own letters.")
            % {"numbers": ", ".join(first)},
            numbers=first,
        )
