"""Measures laying out letters: a print run as one document against a document a letter."""

from outreach.letters.render import Sheet, letters_render
from outreach.models import PrintedLetter, PrintRun
from outreach.services.freezing import letters_freeze
from outreach.services.planning import letters_plan
from outreach.services.print_runs import print_run_make
from outreach.services.rendering import print_run_render
from oversight.measuring.bench import ROUNDS, Bench, Measured, with_peak
from oversight.measuring.rounds import kits_taken_in
from screening.services.batches import batch_open

LETTERS = 100


def letters(bench: Bench) -> Measured:
    """Invitations of one print run, laid out, counted and stored."""
    each = max(min(LETTERS, bench.people // (ROUNDS + 2)), 1)
    kits_taken_in(ROUNDS * each, by=bench.desk)
    batch_open(by=bench.desk, size=ROUNDS * each)
    letters_plan(by=bench.desk)
    letters_freeze(by=bench.desk, limit=ROUNDS * each)
    runs = [print_run_make(by=bench.desk, limit=each) for _ in range(ROUNDS)]
    letters_render(_sheets(runs[0])[:1], title="warm")

    def ours(n: int) -> int:
        return print_run_render(by=bench.desk, print_run=runs[n]).letters_count

    def bare(n: int) -> int:
        return sum(len(letters_render([sheet], title="one").pages) for sheet in _sheets(runs[n]))

    return with_peak(bench.race(ours, bare))


def _sheets(run: PrintRun) -> list[Sheet]:
    return [
        Sheet(one.token, one.letter.text_version, one.letter.context or {}, one.letter.checksum)
        for one in PrintedLetter.objects.filter(print_run=run).select_related("letter")
    ]
