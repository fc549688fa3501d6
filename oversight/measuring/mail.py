"""Measures laying out letters: a print run as one document against a document a letter, two workers, and memory."""

import multiprocessing
import resource
from collections.abc import Callable, Sequence
from dataclasses import replace

from django.db import connections

from outreach.letters.render import Sheet, letter_render_plainly, letters_render
from outreach.models import PrintedLetter, PrintRun
from outreach.services.freezing import letters_freeze
from outreach.services.planning import letters_plan
from outreach.services.print_runs import print_run_make
from outreach.services.rendering import print_run_render
from oversight.measuring.bench import ROUNDS, Bench, Measured, timed, with_peak
from oversight.measuring.rounds import kits_taken_in
from screening.services.batches import batch_open

LETTERS = 120
A_DOCUMENT = 100
FEW, MANY = 500, 50_000
AT_ONCE = 250


def _runs(bench: Bench, runs: int, each: int) -> list[PrintRun]:
    """So many print runs of frozen invitations."""
    kits_taken_in(runs * each, by=bench.desk)
    batch_open(by=bench.desk, size=runs * each)
    letters_plan(by=bench.desk)
    letters_freeze(by=bench.desk, limit=runs * each)
    return [print_run_make(by=bench.desk, limit=each) for _ in range(runs)]


def letters(bench: Bench) -> Measured:
    """A print run against its letters as documents of their own, with style sheet and fonts read once for all."""
    return _against(bench, lambda sheet: letters_render([sheet], title="one").content)


def letters_alone(bench: Bench) -> Measured:
    """A print run against its letters as documents of their own, as anyone would first make them with the library."""
    return _against(bench, letter_render_plainly)


def _against(bench: Bench, single: Callable[[Sheet], bytes]) -> Measured:
    """Invitations of one print run laid out, counted and stored, against each laid out by itself; on one core."""
    each = max(min(LETTERS, bench.people // (ROUNDS + 2)), 1)
    runs = _runs(bench, ROUNDS, each)
    single(_sheets(runs[0])[0])

    def ours(n: int) -> int:
        return print_run_render(by=bench.desk, print_run=runs[n]).letters_count

    def bare(n: int) -> int:
        return sum(single(sheet).startswith(b"%PDF") for sheet in _sheets(runs[n]))

    return with_peak(bench.race(ours, bare))


def letters_two(bench: Bench) -> Measured:
    """The same documents by two worker processes and by one; the ratio is two where it is linear."""
    each = max(min(A_DOCUMENT, bench.people // 8), 1)
    work = [_sheets(run) for run in _runs(bench, 4, each)]
    connections.close_all()
    fork = multiprocessing.get_context("fork")
    with fork.Pool(2) as two, fork.Pool(1) as one:
        two.map(_laid_out, [sheets[:3] for sheets in work], chunksize=1)
        one.map(_laid_out, [work[0][:3]])

        def ours(_n: int) -> int:
            return sum(two.map(_laid_out, work, chunksize=1))

        def bare(_n: int) -> int:
            return sum(one.map(_laid_out, work, chunksize=1))

        return bench.race(ours, bare)


def letters_memory(bench: Bench) -> Measured:
    """The most memory one worker holds after few and after many letters; the ratio is one where it is flat.

    Letters come in documents of the usual size; a register of 100,000 people asks for 50,000 letters.
    """
    few, many = min(FEW, bench.people // 10), min(MANY, bench.people // 2)
    run = _sheets(_runs(bench, 1, min(AT_ONCE, bench.people // 4))[0])
    connections.close_all()
    peaks = {}
    for count in (few, many):
        with multiprocessing.get_context("fork").Pool(1) as worker:
            (done, seconds) = timed(lambda _n, w=worker, c=count: w.apply(_many, (run, c)), 0)  # type: ignore[misc]
            peaks[count] = (done, seconds, worker.apply(_peak_mb))
    found = bench.result(items=many, seconds=peaks[many][1], limit_seconds=peaks[few][1])
    return replace(found, peak_mb=peaks[many][2], ratio=peaks[few][2] / peaks[many][2])


def _laid_out(sheets: Sequence[Sheet]) -> int:
    return len(letters_render(sheets, title="part").pages)


def _many(sheets: Sequence[Sheet], count: int) -> int:
    done = 0
    while done < count:
        done += _laid_out(sheets[: count - done])
    return done


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _sheets(run: PrintRun) -> list[Sheet]:
    return [
        Sheet(one.token, one.letter.text_version, one.letter.context or {}, one.letter.checksum)
        for one in PrintedLetter.objects.filter(print_run=run).select_related("letter")
    ]
