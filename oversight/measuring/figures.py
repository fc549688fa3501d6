"""The register of measurements: name, bare limit in words, and the function that measures."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

from oversight.measuring import (
    dashboards,
    kits,
    lab,
    lab_flat,
    mail,
    planner,
    proof,
    queue,
    register,
    rounds,
    scans,
    scans_flat,
)
from oversight.measuring.bench import Bench, Measured, days_ago
from oversight.measuring.database import empty_template, filled_template, working_copy
from oversight.measuring.proof_fill import proof_laid_down
from oversight.measuring.region import AGE_DAYS, lay_down
from oversight.measuring.years import past_laid_down
from staff.errors import RoundbookError
from staff.models import User

SMALLEST, LARGEST, SMALL_PAST = 200, 5_000_000, 100_000


@dataclass(frozen=True, slots=True)
class Measurement:
    """One figure that can be asked for."""

    name: str
    limit: str
    measure: Callable[[Bench], Measured]
    stands_on: str = "people"
    """What the copy it works in holds: nothing, people, a past of everybody, or that with all a proof looks at."""
    beside_small: bool = False
    """Whether it is compared with itself in a smaller past."""


MEASUREMENTS: dict[str, Measurement] = {
    one.name: one
    for one in (
        Measurement(
            "register_first_load",
            "COPY of what a load leaves behind (itself, people, numbers, lines) as text into bare tables, then building our indexes and keys",
            register.first_load,
            stands_on="nothing",
        ),
        Measurement(
            "register_first_apart",
            "the same, where the file is staged, so that it can be looked at, and applied by a second person",
            register.first_load_apart,
            stands_on="nothing",
        ),
        Measurement(
            "register_first_rows",
            "COPY of the same as rows in the server's binary form into bare tables, then building our indexes without keys",
            register.first_load_rows,
            stands_on="nothing",
        ),
        Measurement(
            "register_reload_1pct",
            "the same file by COPY, unchecked, and everybody on it with their number upserted into our tables with keys, checks and triggers",
            register.reload_one_percent,
        ),
        Measurement(
            "register_reload_facts",
            "the same file by COPY, unchecked, and everybody on it upserted into the people's table alone, without their numbers",
            register.reload_against_people,
        ),
        Measurement(
            "register_reload_same",
            "the same file by COPY, unchecked, and everybody on it with their number upserted into our tables with keys, checks and triggers",
            register.reload_same,
        ),
        Measurement("due", "anti-joins straight to the history", register.due),
        Measurement(
            "batch",
            "the bare INSERT…SELECT into the same tables with keys and checks but no triggers",
            rounds.batch,
        ),
        Measurement("moves", "bare UPDATE plus INSERT without triggers", rounds.moves),
        *(
            Measurement(
                name,
                "the same transaction by bare psycopg in as many processes, on the same tables with their triggers",
                work,
            )
            for name, work in (("scan_1", scans.scan_1), ("scan_8", scans.scan_8), ("scan_32", scans.scan_32))
        ),
        Measurement(
            "scan_flat",
            "the same scans in a registry with the past of 100,000 people, or half as many as asked for",
            scans_flat.scan_flat,
            stands_on="past",
            beside_small=True,
        ),
        Measurement("readings", "the bare set-based SQL, without triggers", kits.readings),
        Measurement("lab_day", "the bare set-based SQL with the ledgers' triggers", lab.lab_day),
        Measurement(
            "lab_flat",
            "the same days before everybody in the register had a measured past round",
            lab_flat.lab_flat,
        ),
        Measurement("queue_2000", "the same page at 200 open referrals", queue.queue_2000),
        Measurement("lab_day_loop", "one ORM object after the other", lab.lab_day_loop),
        Measurement(
            "letters", "one WeasyPrint document a letter, style sheet and fonts read once", mail.letters
        ),
        *(
            Measurement(name, limit, work, stands_on="proof")
            for name, limit, work in (
                ("proof_full", "reading every row it looks at once", proof.proof_full),
                ("proof_incremental", "the full proof in the same run", proof.proof_incremental),
                ("seal", "reading every sealed row as text once", proof.seal),
            )
        ),
        *(
            Measurement(name, limit, work, stands_on="past")
            for name, limit, work in (
                ("dashboard", "straight aggregation over the ledger's tables", dashboards.dashboard),
                (
                    "dashboard_pages",
                    "200 ms for the statements of the slowest page",
                    dashboards.dashboard_pages,
                ),
                ("dashboard_sweep", "counting each of 200 cutoffs", dashboards.dashboard_sweep),
                (
                    "dashboard_columnar",
                    "DuckDB over the exported facts in memory",
                    dashboards.dashboard_columnar,
                ),
            )
        ),
        Measurement("dashboard_upkeep", "the same scans without the marks", dashboards.dashboard_upkeep),
        Measurement("dashboard_freshness", "one minute", dashboards.dashboard_freshness),
        Measurement(
            "letters_alone",
            "one WeasyPrint document a letter, made as anyone would first make it",
            mail.letters_alone,
        ),
        Measurement("letters_two", "the same documents by one worker process; linear is 2", mail.letters_two),
        Measurement(
            "letters_memory",
            "another worker's peak after 500 letters; flat is 1",
            mail.letters_memory,
        ),
        Measurement(
            "planner_idle",
            "asking everybody and every round once; the ratio counts sweeps a scan",
            planner.planner_idle,
        ),
    )
}
"""Every measurement, in the order in which all are run."""


def chosen(names: Sequence[str]) -> list[Measurement]:
    """The measurements of these names, or all; RoundbookError names what is not known."""
    for name in names:
        if name not in MEASUREMENTS:
            known = ", ".join(MEASUREMENTS)
            raise RoundbookError("no_such_figure", f"There is no figure {name!r}. Choose from: {known}.")
    return [MEASUREMENTS[name] for name in names] if names else list(MEASUREMENTS.values())


def measure(names: Sequence[str], *, people: int, tell: Callable[[str], None]) -> Iterator[Measured]:
    """Measure one after the other, each in its own copy of a database with so many people."""
    wanted = chosen(names)
    if not SMALLEST <= people <= LARGEST:
        raise RoundbookError("people_out_of_range", f"Ask for {SMALLEST} to {LARGEST} people.")
    tell("Making the empty database (once) …")
    with days_ago(AGE_DAYS):
        empty = empty_template(lay_down=lay_down)
    for one in wanted:
        if one.stands_on == "nothing":
            tell(f"{one.name} …")
            yield one.measure(Bench(one.name, one.limit, people))
            continue
        template = _template(one.stands_on, people, empty, tell)
        small = _template("past", min(SMALL_PAST, people // 2), empty, tell) if one.beside_small else ""
        tell(f"{one.name} …")
        with working_copy(template):
            yield one.measure(Bench(one.name, one.limit, people, small))


def _template(what: str, people: int, empty: str, tell: Callable[[str], None]) -> str:
    """A database of that size to copy, made when it is first asked for."""
    if what == "people":
        tell(f"{people} people (filled once a size) …")
        with days_ago(AGE_DAYS):
            return filled_template(people, empty=empty, fill=lambda: register.people_fill(people))
    if what == "past":
        tell(f"{people} rounds of five years (laid down once a size) …")
        past = partial(past_laid_down, people, tell=tell)
        return filled_template(people, empty=empty, fill=lambda: past(by=_hand()), what="past")
    below = _template("past", people, empty, tell)
    tell("The same with all a proof looks at (laid down once a size) …")
    proof = partial(proof_laid_down, people, tell=tell)
    return filled_template(people, empty=below, fill=lambda: proof(by=_hand()), what="proof")


def _hand() -> User:
    return User.objects.get(username="ansel")
