"""The duties of every local day, each done once: months, closings, people who grew out, surveillance, the seal,
the proof, its alarm, the papers of the night, and what two people let go from the journal."""

from collections.abc import Callable
from contextlib import ExitStack
from datetime import timedelta
from functools import partial

from django.conf import settings
from django.core.mail import send_mail
from django.db import connection
from django.utils.translation import gettext as _

from outreach.services.planning_days import rounds_waiting_for_post
from oversight.checks import CHECKS
from oversight.models import ProofResult
from oversight.services.coverage import coverage_count
from oversight.services.duties import duty_do, duty_done
from oversight.services.journal_asked import ageing_do
from oversight.services.papers import papers_make
from oversight.services.proofs import DUTY, p1_violations, proof_latest, prove_once
from oversight.services.rollup import deltas_prune, fold_all
from oversight.services.seal import seal_night
from results.services.surveillance_take_up import surveillance_take_up
from screening.services.due import due_dates_sweep
from screening.services.duplicates import duplicates_of_yesterday
from screening.services.protocols import protocol_take_up
from screening.services.register_proof import register_compare, register_freshness
from screening.services.rounds import rounds_close_unreturned
from staff import clock
from staff.ledger.walls import ensure_months
from staff.models import User
from staff.roles import Role
from staff.services.answers import answers_forget

CLOSING_CHUNK = 50_000
MONDAY = 0
SEAL_SECONDS = 120
"""How long one ring goes on with a first seal over years of history; the proof does not wait for the rest of it."""


def daily_duties(*, by: User) -> dict[str, bool]:
    """Do what is left of today's duties, in order; returns which of them this call did.

    Each duty claims its row for the day in the transaction that does the work. A duty that fails is tried again at the
    next call and does not keep the later ones waiting; its error is raised when all have had their turn.
    """
    today, done = clock.today(), dict[str, bool]()
    duties: list[tuple[str, Callable[[], bool]]] = [
        ("months", partial(duty_do, by=by, name="months", day=today, work=_months)),
        ("protocol", lambda: bool(protocol_take_up(by=by))),
        (
            "close-unreturned",
            partial(duty_do, by=by, name="close-unreturned", day=today, work=partial(_close, by)),
        ),
        (
            "due-sweep",
            partial(duty_do, by=by, name="due-sweep", day=today, work=partial(due_dates_sweep, by=by)),
        ),
        (
            "surveillance",
            partial(
                duty_do, by=by, name="surveillance", day=today, work=partial(surveillance_take_up, by=by)
            ),
        ),
        (
            "duplicates",
            partial(
                duty_do, by=by, name="duplicates", day=today, work=partial(duplicates_of_yesterday, by=by)
            ),
        ),
        (
            "register-compare",
            lambda: (
                today.weekday() == MONDAY
                and duty_do(by=by, name="register-compare", day=today, work=partial(register_compare, by=by))
            ),
        ),
        ("feed-alarm", partial(feed_alarm_send, by=by)),
        ("kept-answers", partial(duty_do, by=by, name="kept-answers", day=today, work=_answers_forgotten)),
        ("coverage", partial(duty_do, by=by, name="coverage", day=today, work=_count)),
        ("seal", lambda: seal_night(by=by, day=today, seconds=SEAL_SECONDS) is not None),
        (DUTY, lambda: not duty_done(DUTY, today) and prove_once(by=by, on=today) is not None),
        ("alarm", partial(alarm_send, by=by)),
        ("papers", partial(papers_make, by=by, day=today)),
        ("journal-age", partial(ageing_do, by=by)),
    ]

    def do(name: str, duty: Callable[[], bool]) -> None:
        done[name] = duty()

    with ExitStack() as stack:  # it calls every duty, last pushed first, even when one before it failed
        for name, duty in reversed(duties):
            stack.callback(do, name, duty)
    return done


def _months() -> None:
    with connection.cursor() as cursor:
        ensure_months(cursor)


def _answers_forgotten() -> None:
    answers_forget(before=clock.now() - timedelta(days=settings.API_ANSWERS_KEPT_DAYS))


def _count() -> None:
    """Who there is, by the facts of now; what was changed too long ago to be reconciled is forgotten."""
    fold_all()
    coverage_count()
    deltas_prune()


def _close(by: User) -> None:
    while (
        rounds_close_unreturned(by=by, limit=CLOSING_CHUNK, waiting=rounds_waiting_for_post(clock.today()))
        >= CLOSING_CHUNK
    ):
        continue


def feed_alarm_send(*, by: User) -> bool:
    """Write to managers and administrators on a day on which the register is stale; once a day, True when written."""
    fresh = register_freshness(clock.today())
    if not fresh.alarm:
        return False
    return duty_do(by=by, name="feed-alarm", day=clock.today(), work=partial(_write_stale, fresh.days or 0))


def _write_stale(days: int) -> None:
    facts = {"programme": settings.PROGRAMME_NAME, "days": days}
    send_mail(
        _("%(programme)s: no register file for %(days)s days") % facts,
        _(
            "Whoever died or moved in the last %(days)s days is not known to the programme. Ask for the missing file."
        )
        % facts,
        None,
        alarm_addresses(),
    )


def alarm_send(*, by: User) -> bool:
    """Write to managers and administrators when today's latest run found a P1; once a run, True when written."""
    run = proof_latest()
    if run is None or clock.local_day(run.started_at) != clock.today():
        return False
    found = p1_violations(run)
    if not found:
        return False
    return duty_do(by=by, name=f"alarm-{run.pk}", day=clock.today(), work=partial(_write, found))


def _write(found: list[ProofResult]) -> None:
    subject = _("%(programme)s: %(n)s checks do not hold") % {
        "programme": settings.PROGRAMME_NAME,
        "n": len(found),
    }
    lines = [
        f"{result.check_name}: {CHECKS[result.check_name].sentence}\n"
        + _("%(violating)s of %(checked)s checked do not hold.")
        % {"violating": result.violating, "checked": result.checked}
        for result in found
    ]
    body = [
        _("The proof found that somebody may fall through. Please look at once."),
        *lines,
        _("Open the page “Nobody falls through” to see whom it is about. This message names nobody."),
    ]
    send_mail(subject, "\n\n".join(body), None, alarm_addresses())


def alarm_addresses() -> list[str]:
    """The e-mail addresses of active managers and administrators."""
    users = User.objects.colleagues(Role.MANAGER, Role.ADMINISTRATOR).order_by()
    return sorted(set(users.exclude(email="").values_list("email", flat=True)))
