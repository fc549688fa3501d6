"""The register feed: a file is staged and previewed, then applied set by set, held, or thrown away.

Staging and applying are one transaction each, so a process that dies leaves the register as it was.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from decimal import Decimal
from hashlib import sha256

import psycopg
from django.db import connection, transaction
from django.utils.translation import gettext as _

from screening.models import Area, RegisterLoad
from screening.services import register_memory as memory
from screening.services import register_sql as sql
from screening.services.due import due_dates_refresh
from screening.services.planner import few_among_many, whole_sets
from screening.services.policies import policy_on
from screening.services.register_copy import file_laid, lines_laid
from screening.services.register_first import nobody_yet
from screening.services.register_read import lines_read
from screening.services.register_write import Fitted, people_written, rounds_ended
from staff.acting import Acting, acting
from staff.errors import IllegalMove, NotAllowed, RoundbookError
from staff.models import User

FOUND_AGAIN = (RegisterLoad.Status.APPLIED, RegisterLoad.Status.STAGED, RegisterLoad.Status.HELD)
"""A file whose load is in one of these states is found again when it is sent once more."""
FEW_OF = 20
"""A load is of few lines where so large a part of it, or less, is read: one in so many."""
_ONE_AT_A_TIME = 726_101  # advisory lock: one load is staged or applied at a time


@dataclass(frozen=True)
class Effect:
    """What applying a staged file would do."""

    created: int = 0
    changed: int = 0
    unchanged: int = 0
    deaths: int = 0
    leavers: int = 0
    unknown_practices: int = 0
    corrected: int = 0
    fields: dict[str, int] = field(default_factory=dict)
    emptied: dict[str, tuple[int, int]] = field(default_factory=dict)
    missing: int = 0


@dataclass(frozen=True)
class Change:
    """One person whose facts would change, with the columns that differ: (column, now, then)."""

    person_id: int
    line: int
    number: str
    facts: list[tuple[str, str, str]]


def register_stage(*, by: User, content: bytes, file_name: str, is_full: bool = False) -> RegisterLoad:
    """Read and check a file, stage its lines, and say whether it may be applied, is held, or is known already.

    A file already applied, or staged and waiting, is found again and nothing is written.
    RoundbookError names what is wrong with a file that cannot be read as a whole.
    """
    with ThreadPoolExecutor(2) as beside, acting(by, reason="register file") as frame:
        summed = beside.submit(lambda: sha256(content).hexdigest())
        one_at_a_time()
        areas = frozenset(Area.objects.values_list("code", flat=True))
        told = memory.told_by(frame.today)
        people: Callable[[], int] = _people_known
        if told and told.maybe_all_in(content):
            # Then likely they have to be counted, and the server has nothing to do.
            people = beside.submit(_people_known, psycopg.Cursor(connection.connection)).result
        news = memory.news_of(content, told) if told else None
        if people is not _people_known:
            people()  # before anything else is asked of the server: a file may yet have to be laid down twice
        known = known_load(digest := summed.result(), is_full=is_full)
        if known is not None:
            return known
        read = None if news is None else lines_read(news.lines, today=frame.today, areas=areas)
        if news is not None and read is not None and memory.says_twice(news, read):
            news = None
        load = RegisterLoad.objects.create(
            file_name=file_name[:200], sha256=digest, is_full=is_full, status=RegisterLoad.Status.STAGED,
            staged_by=by, staged_at=frame.now,
        )  # fmt: skip
        if news is None or read is None:
            laid = file_laid(load, content, today=frame.today, areas=areas)
        else:
            laid = lines_laid(load, news.lines, read)
            load.as_before, load.memory = news.height - news.lines.height, news.version
            load.missing = memory.missing_of(news.as_before, read) if is_full else 0
        load.lines, load.refused = load.as_before + laid.lines, laid.refused
        memory.digests_keep(load, laid.told)
        _weigh(load, frame, news, people)
    return load


def known_load(digest: str, *, is_full: bool) -> RegisterLoad | None:
    """The load of this very file, if it was applied or waits.

    One that was overtaken, or that calls itself the whole register now and did not then, is thrown away and read anew.
    """
    known = RegisterLoad.objects.filter(sha256=digest, status__in=FOUND_AGAIN).first()
    if known is None or known.status == RegisterLoad.Status.APPLIED:
        return known
    if known.is_full == is_full and not memory.overtaken(known):
        return known
    known.status = RegisterLoad.Status.DISCARDED
    known.save(update_fields=["status"])
    memory.forget(known)
    return None


def applied_before(content: bytes) -> RegisterLoad | None:
    """The load with which this very file was applied."""
    return RegisterLoad.objects.filter(
        sha256=sha256(content).hexdigest(), status=RegisterLoad.Status.APPLIED
    ).first()


def one_at_a_time() -> None:
    """Wait for another load that is being staged or applied; until the transaction ends the others wait."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(%s)", [_ONE_AT_A_TIME])


def register_effect(load: RegisterLoad) -> Effect:
    """What applying would do now, counted against the people as they are."""
    effect = _effect_now(load)
    if not nobody_yet():
        return effect
    with connection.cursor() as cursor:
        cursor.execute(sql.STRANGE_PRACTICES, {"load": load.pk})
        return replace(effect, unknown_practices=int(cursor.fetchone()[0]))


def _effect_now(load: RegisterLoad) -> Effect:
    with transaction.atomic(), _joined(load) as fitted:
        return _effect(load, fitted)


def _effect(load: RegisterLoad, fitted: Fitted) -> Effect:
    if nobody_yet():
        return Effect(created=load.lines - load.refused - load.as_before)
    with connection.cursor() as cursor:
        cursor.execute(fitted(sql.COUNTS), {"load": load.pk})
        names = [column.name for column in cursor.description]
        row = dict(zip(names, cursor.fetchone(), strict=True))
        missing = load.missing
        if load.is_full and not load.as_before:
            cursor.execute(sql.MISSING, {"load": load.pk})
            missing = int(cursor.fetchone()[0])
    return Effect(
        created=row["created"], changed=row["changed"], unchanged=row["unchanged"] + load.as_before, deaths=row["deaths"],
        leavers=row["leavers"], unknown_practices=row["unknown_practices"], corrected=row["corrected"], missing=missing,
        fields={c: row[f"field_{c}"] for c in sql.SHOWN if row[f"field_{c}"]},
        emptied={
            c: (row[f"emptied_{c}"], row[f"filled_{c}"] + load.filled.get(c, 0))
            for c in sql.CAN_BE_EMPTIED if row[f"emptied_{c}"]
        },
    )  # fmt: skip


def register_changes(load: RegisterLoad, *, limit: int = 10) -> list[Change]:
    """The first people whose facts would change, with what differs."""
    with transaction.atomic(), _joined(load) as fitted, connection.cursor() as cursor:
        cursor.execute(fitted(sql.SAMPLE), {"load": load.pk, "limit": limit})
        rows = cursor.fetchall()
    changes = []
    for pk, line, number, *values in rows:
        pairs = zip(sql.SHOWN, values[::2], values[1::2], strict=True)
        facts = [(column, now or "", then or "") for column, now, then in pairs if now != then]
        changes.append(Change(pk, line, number, facts))
    return changes


def _is_few(load: RegisterLoad) -> bool:
    return load.lines - load.as_before <= load.lines // FEW_OF


@contextmanager
def _joined(load: RegisterLoad) -> Iterator[Fitted]:
    """Joins as fit the size of a load: by hashing whole sets, or line by line where its lines are few among the people.

    Gives what fits a statement to that.
    """
    if not _is_few(load):
        with whole_sets():
            yield str
        return
    with few_among_many():
        yield sql.of_few


@contextmanager
def _joined_once(load: RegisterLoad) -> Iterator[Fitted]:
    """The same for several statements in turn: few lines are joined with their people once and kept so inside the block.

    What is written then is planned as its size asks for, and so is what its triggers do.
    """
    if not _is_few(load):
        with whole_sets():
            yield str
        return
    with connection.cursor() as cursor:
        with few_among_many():
            cursor.execute(sql.of_few(sql.TOGETHER), {"load": load.pk})
        yield sql.of_joined
        cursor.execute(sql.SEPARATE)


def _weigh(load: RegisterLoad, frame: Acting, news: memory.News | None, people: Callable[[], int]) -> None:
    """Count the effect of a load that is being staged, keep it on the load, and hold the load when it would change too much."""
    effect = _effect_now(load)
    reasons = _held_reasons(effect, frame, people)
    if reasons and effect.emptied and news is not None:  # of how many, the lines as before have to tell
        load.filled = memory.filled_of(news.as_before)
        effect = _effect_now(load)
        reasons = _held_reasons(effect, frame, people)
    load.created, load.changed, load.unchanged = effect.created, effect.changed, effect.unchanged
    _hold(load, reasons)
    load.save()


def _hold(load: RegisterLoad, reasons: list[str]) -> None:
    load.held_reason = " ".join(reasons)
    load.status = RegisterLoad.Status.HELD if reasons else RegisterLoad.Status.STAGED


def _people_known(server: psycopg.Cursor | None = None) -> int:
    """How many people the register knows; another thread, where Django has no connection, asks by a cursor made here."""
    row = (server or psycopg.Cursor(connection.connection)).execute(sql.KNOWN.encode()).fetchone()
    return int(row[0]) if row else 0


def _held_reasons(effect: Effect, frame: Acting, people: Callable[[], int]) -> list[str]:
    policy = policy_on(frame.today)
    change, empty = Decimal(policy.feed_change_percent), Decimal(policy.feed_empty_percent)
    reasons = []
    # Those of the file are some of the people, so what is few among them is few among all, who need no counting then.
    if max(effect.changed, effect.missing) * 100 > change * (effect.changed + effect.unchanged):
        known = people()
        for count, words in (
            (effect.changed, _("It would change %(count)s of %(known)s people, more than %(limit)s %%.")),
            (effect.missing, _("It calls itself the whole register and leaves out %(count)s of %(known)s people, more than %(limit)s %%.")),
        ):  # fmt: skip
            if known and count * 100 > change * known:
                reasons.append(words % {"count": count, "known": known, "limit": change.normalize()})
    for column, (count, filled) in effect.emptied.items():
        if count * 100 > empty * filled:
            facts = {"count": count, "filled": filled, "column": column, "limit": empty.normalize()}
            reasons.append(
                _("It would empty %(column)s for %(count)s of %(filled)s people, more than %(limit)s %%.")
                % facts
            )
    return reasons


def register_apply(
    *, by: User, load: RegisterLoad, override_hold: bool = False, history_follows: bool = False
) -> RegisterLoad:
    """Apply a staged file: new people, changed people, rounds of the dead and of those who left, next dates.

    With `history_follows` nobody gets a next date yet: the earlier rounds are laid in first, then the dates of
    everybody are refreshed, so that nobody is due for want of a history. Applied already: returned as it is. Held: only another person than who staged it may release it, on purpose.
    """
    with acting(by, reason=f"register load {load.pk}") as frame:
        one_at_a_time()
        load = RegisterLoad.objects.select_for_update().get(pk=load.pk)
        if load.status == RegisterLoad.Status.APPLIED:
            return load
        if load.status not in {RegisterLoad.Status.STAGED, RegisterLoad.Status.HELD}:
            raise IllegalMove("load_closed", _("This file was thrown away. Load it again to apply it."))
        if memory.overtaken(load):
            raise IllegalMove(
                "load_overtaken",
                _(
                    "Another file was applied after this one was read, so what is new in it has changed. Load it again."
                ),
            )
        _release_checked(load, by, override_hold)
        with _joined_once(load) as fitted:
            effect = _effect(load, fitted)
            if load.status == RegisterLoad.Status.STAGED:  # weighed again: the people may have changed since
                _hold(load, _held_reasons(effect, frame, _people_known))
                _release_checked(load, by, override_hold)
            written = people_written(
                load, effect, frame, fitted, dates=not history_follows, at_once=not _is_few(load)
            )
        load.effect = {"fields": effect.fields, "deaths": effect.deaths, "leavers": effect.leavers}
        rounds_ended(written.gone, by, frame)
        if not history_follows:
            due_dates_refresh(by=by, person_ids=written.dated)
        memory.remember(load, on=frame.today)
        load.status, load.applied_by, load.applied_at = RegisterLoad.Status.APPLIED, by, frame.now
        load.save()
    return load


def _release_checked(load: RegisterLoad, by: User, override_hold: bool) -> None:
    if load.status != RegisterLoad.Status.HELD:
        return
    if not override_hold:
        raise RoundbookError(
            "load_held", _("This file is held. %(why)s") % {"why": load.held_reason}, load=load.pk
        )
    if by.pk == load.staged_by_id:
        raise NotAllowed(
            "second_person",
            _("Somebody else than the person who loaded this file must release it."),
            load=load.pk,
        )


def register_discard(*, by: User, load: RegisterLoad) -> RegisterLoad:
    """Throw a staged or held file away; its refused lines stay to be read."""
    with acting(by):
        load = RegisterLoad.objects.select_for_update().get(pk=load.pk)
        if load.status not in {RegisterLoad.Status.STAGED, RegisterLoad.Status.HELD}:
            raise IllegalMove("load_closed", _("Only a file that waits can be thrown away."))
        load.status = RegisterLoad.Status.DISCARDED
        load.save()
        memory.forget(load)
    return load
