"""Letter and kit together: hazards H5 (mispaired at the mailing house) and H6 (household swap), by number.

Source: the programme's job description 2.4 (rules; exceptions 1, 2, 6 and 7) and section 8, H5 "offset file by one row" and H6
"two kits same address crossed".
"""

from datetime import date

import pytest
from django.db import DatabaseError, transaction

from outreach.models import Letter
from outreach.services.packs import batch_letters_preview, manifest_take, round_of_token
from outreach.services.planning import letters_plan
from screening.models import Batch, Kit, KitDoubt, Manifest, Pack, Person, Return, Round
from screening.serials import serial_make
from screening.services.batches import batch_dispatch, batch_open, replacements_send
from screening.services.doubts import doubt_range, serial_runs
from screening.services.intake import return_solve
from screening.services.packing import AGAIN, Judged, pack_check, pack_scan, packing_of, packs_missing_out
from screening.services.people import stop_record
from staff import clock
from staff.errors import IllegalMove, RoundbookError
from staff.ledger.proof import projection_differences
from staff.ledger.registry import walls
from tests import cast, factories
from tests.screening.intake import bench
from tests.screening.recall.packing import a_manifest, a_printed_batch, kits_of, pairs_of

TODAY = date(2026, 6, 17)
pytestmark = pytest.mark.usefixtures("region")
Verdict = Pack.Verdict


def scanned(batch: Batch, token: str, serial: str) -> Judged:
    by = cast.member(cast.PHONE_DESK)
    return pack_scan(by=by, batch=batch, round_id=round_of_token(token), letter=token, raw=serial)[0]


def opened(batch: Batch, token: str, serial: str) -> bool:
    by = cast.member(cast.PHONE_DESK)
    return pack_check(by=by, batch=batch, round_id=round_of_token(token), raw=serial)[0]


def posted(batch: Batch) -> int:
    return batch_dispatch(by=cast.member(cast.PHONE_DESK), batch=batch)


def nothing_is_posted(batch: Batch) -> None:
    """No kit of the batch is left, so handing it over is refused and it is not called posted."""
    out = batch.rounds.exclude(dispatched_on=None).count()
    with pytest.raises(IllegalMove) as refused:
        posted(batch)
    assert refused.value.code == "no_kit_to_post"
    batch.refresh_from_db()
    assert batch.dispatched_on is None
    assert batch.rounds.exclude(dispatched_on=None).count() == out


def taken(content: bytes, name: str = "house.csv") -> object:
    return manifest_take(by=cast.member(cast.PHONE_DESK), name=name, content=content)


def books_agree() -> bool:
    return all(projection_differences(walls.ledgers[name])[1] == 0 for name in ("round", "kit", "return"))


# --- scanned together at the table --------------------------------------------------------------------------------------


def test_right_letter_with_right_kit_counts_once_and_the_batch_goes_when_all_are_proven() -> None:
    batch = a_printed_batch(3)
    pairs = pairs_of(batch)
    with pytest.raises(RoundbookError) as bare:
        posted(batch)
    assert (bare.value.code, bare.value.data["missing"]) == ("pairs_missing", 3)
    assert [scanned(batch, *pair).verdict for pair in pairs] == [Verdict.PAIRED] * 3
    assert scanned(batch, *pairs[0]).verdict == AGAIN
    assert list(batch.packs.order_by("nth").values_list("nth", flat=True)) == [1, 2, 3]
    with pytest.raises(RoundbookError) as unopened:
        posted(batch)
    assert (unopened.value.code, unopened.value.data["owed"]) == ("checks_owed", 2), "the first and the last"
    assert opened(batch, *pairs[0])
    assert opened(batch, *pairs[2])
    assert posted(batch) == 3
    with pytest.raises(IllegalMove):
        scanned(batch, *pairs[0])
    assert books_agree()


def test_every_so_many_packs_one_is_opened() -> None:
    batch = a_printed_batch(25, every=10)
    for pair in pairs_of(batch)[:24]:
        scanned(batch, *pair)
    assert [nth for _pk, nth, _letter, _tray in packing_of(batch, on=TODAY).to_open] == [1, 10, 20]
    scanned(batch, *pairs_of(batch)[24])
    assert [nth for _pk, nth, _letter, _tray in packing_of(batch, on=TODAY).to_open] == [1, 10, 20, 25]


def test_a_wrong_pair_is_stopped_named_and_kept() -> None:
    batch = a_printed_batch(2)
    (one, mine), (other, theirs) = pairs_of(batch)
    found = scanned(batch, one, theirs)
    assert (found.verdict, found.wanted) == (Verdict.MISPAIRED, mine)
    assert scanned(batch, one, serial_make(999)).verdict == Verdict.KIT_UNKNOWN
    assert scanned(batch, "999-1-X", mine).verdict == Verdict.LETTER_UNKNOWN
    with pytest.raises(RoundbookError) as misread:
        scanned(batch, one, mine[:-1] + ("0" if mine[-1] != "0" else "1"))
    assert misread.value.code == "serial_check"
    factories.a_person()
    second = batch_open(by=cast.member(cast.PHONE_DESK), size=1)
    assert scanned(second, one, mine).verdict == Verdict.OTHER_BATCH
    assert Pack.objects.exclude(verdict="paired").count() == 4
    assert Kit.objects.filter(void_on__isnull=False).count() == 0, "what a scan stopped is put right by hand"
    assert scanned(batch, other, theirs).verdict == Verdict.PAIRED


def test_who_opted_out_since_is_stopped_at_the_table() -> None:
    batch = a_printed_batch(1)
    person = Round.objects.get(batch=batch).person
    pair = pairs_of(batch)[0]
    stop_record(
        by=cast.member(cast.PHONE_DESK), person=person, scope="invitations", source="rang", since=TODAY
    )
    assert scanned(batch, *pair).verdict in {Verdict.NOT_WAITING, Verdict.STOPPED, Verdict.KIT_VOID}
    assert posted(batch) == 0


def test_kits_that_stay_missing_are_void_and_their_people_get_another() -> None:
    batch = a_printed_batch(3)
    pairs = pairs_of(batch)
    for pair in pairs[:2]:
        scanned(batch, *pair)
        opened(batch, *pair)
    assert packs_missing_out(by=cast.member(cast.PHONE_DESK), batch=batch) == 1
    assert posted(batch) == 2
    lost = Kit.objects.get(serial=pairs[2][1])
    assert (lost.state, lost.void_reason) == ("assigned", "not found when packing")
    assert replacements_send(by=cast.member(cast.PHONE_DESK)) == 1
    assert books_agree()


# --- H5 -----------------------------------------------------------------------------------------------------------------


def test_h5_a_file_offset_by_one_row_pairs_nothing_and_puts_its_tray_in_doubt() -> None:
    batch = a_printed_batch(6)
    pairs = pairs_of(batch)
    serials = [serial for _token, serial in pairs]
    offset = [(token, serials[(n + 1) % 6]) for n, (token, _serial) in enumerate(pairs)]
    found = taken(a_manifest(batch, offset, posted="2026-06-17"))
    assert found.verdicts == {"mispaired": 6}
    assert (found.manifest.paired, found.manifest.refused) == (0, 6)
    (doubt,) = found.doubts
    assert (doubt.first_serial, doubt.last_serial, doubt.kits, doubt.people, doubt.posted) == (
        serials[0],
        serials[5],
        6,
        6,
        True,
    )
    rounds = Round.objects.filter(batch=batch)
    assert {(r.state, r.pool, r.due_on) for r in rounds} == {("kit_due", "office", TODAY)}
    assert books_agree()
    nothing_is_posted(batch)

    desk = cast.member(cast.PHONE_DESK)
    stopped_at_the_bench(serials[:3])
    assert replacements_send(by=desk) == 6, (
        "everybody in doubt is invited again, whether the kit is back or not"
    )
    letters_plan(by=desk)
    assert Letter.objects.filter(kind="replacement", round__batch=batch).count() == 6
    stopped_at_the_bench(serials[3:])
    assert set(rounds.values_list("state", flat=True)) == {"kit_out"}
    for back in Return.objects.filter(state="set_aside"):
        with pytest.raises(RoundbookError) as never:
            return_solve(by=desk, return_=back, answer="day_told", day=bench.day_of(0))
        assert never.value.code == "never_tested", "nobody on the phone can tell whose it is"
        return_solve(by=desk, return_=back, answer="unsuitable", note="destroyed")
    assert set(rounds.values_list("state", flat=True)) == {"kit_out"}, "the fresh kits are waited for"
    fresh = Kit.objects.filter(round__batch=batch, ordinal=2).first()
    assert fresh is not None
    with clock.at(clock.moment(date(2026, 6, 24), 10)):
        assert bench.scan(bench.a_session(), fresh.serial, bench.day_of(1)).outcome.startswith("accepted")
    assert books_agree()


def stopped_at_the_bench(serials: list[str]) -> None:
    """Each of these kits comes back and is set aside, whatever the label says."""
    session = bench.a_session()
    for serial in serials:
        assert bench.scan(session, serial, bench.day_of(0)).code == "identity_in_doubt"
        bench.scan(session, "RB-ACKNOWLEDGE")
    states = Return.objects.filter(kit__serial__in=serials).values_list("state", flat=True)
    assert list(states) == ["set_aside"] * len(serials)


def test_h5_only_the_tray_with_the_wrong_pair_is_in_doubt() -> None:
    batch = a_printed_batch(9)
    pairs = pairs_of(batch)
    pairs[4], pairs[5] = (pairs[4][0], pairs[5][1]), (pairs[5][0], pairs[4][1])
    found = taken(a_manifest(batch, pairs, tray=3))
    assert found.verdicts == {"paired": 6, "mispaired": 2, "in_doubt": 1}
    kits = kits_of(batch)
    assert [kit.void_reason for kit in kits] == [""] * 3 + ["mispair suspected"] * 3 + [""] * 3
    for pair in (pairs[0], pairs[8]):
        assert opened(batch, *pair)
    assert posted(batch) == 6
    assert books_agree()


def test_h5_a_wrong_pack_found_when_opened_puts_all_packed_with_it_in_doubt() -> None:
    batch = a_printed_batch(4)
    pairs = pairs_of(batch)
    for pair in pairs:
        scanned(batch, *pair)
    assert opened(batch, pairs[0][0], pairs[1][1]) is False
    assert KitDoubt.objects.get().kits == 4
    assert {kit.void_reason for kit in kits_of(batch)} == {"mispair suspected"}
    nothing_is_posted(batch)
    assert replacements_send(by=cast.member(cast.PHONE_DESK)) == 4


def test_h5_a_range_already_posted_is_stopped_at_the_bench_and_not_measured_if_it_is_back() -> None:
    out, back = factories.a_round(sent_days_ago=8), factories.a_round(sent_days_ago=8)
    returned = factories.a_ready_return(back)
    serials = sorted([bench.kit_of(out).serial, returned.kit.serial])
    made = doubt_range(
        by=cast.member(cast.PHONE_DESK),
        first=serials[0],
        last=serials[1],
        why="offset in the post",
        posted=True,
    )
    assert (made.kits, made.people, made.back) == (1, 2, 1)
    returned.refresh_from_db()
    back.refresh_from_db()
    out.refresh_from_db()
    assert (returned.state, back.state, out.state) == ("unsuitable", "kit_due", "kit_due")
    assert out.moves.order_by("-seq").values_list("reason", flat=True)[0] == "mispaired"
    again = doubt_range(
        by=cast.member(cast.PHONE_DESK), first=serials[0], last=serials[1], why="again", posted=True
    )
    assert (again.people, Kit.objects.filter(void_reason="mispair suspected").count()) == (2, 1)
    assert books_agree()


def test_a_range_of_serials_is_asked_for_in_words_that_help() -> None:
    kit = factories.a_kit()
    by = cast.member(cast.PHONE_DESK)
    wrong = [
        ({"first": kit.serial, "last": kit.serial, "why": " "}, "reason_missing"),
        ({"first": "TK1", "last": kit.serial, "why": "x"}, "serial_length"),
        ({"first": kit.serial, "last": serial_make(1), "why": "x"}, "range_backwards"),
        ({"first": serial_make(1), "last": serial_make(9), "why": "x"}, "no_kits"),
    ]
    for facts, code in wrong:
        with pytest.raises(RoundbookError) as refused:
            doubt_range(by=by, posted=False, **facts)
        assert refused.value.code == code


def test_runs_of_serials_are_cut_where_numbers_jump() -> None:
    serials = [serial_make(n) for n in (5, 6, 7, 10, 12, 13)]
    assert [len(run) for run in serial_runs(serials)] == [3, 1, 2]
    assert serial_runs([]) == []


# --- H6 -----------------------------------------------------------------------------------------------------------------


def test_h6_two_kits_of_one_address_crossed_are_stopped_before_and_after_the_post() -> None:
    home = {"postcode": "0Q-900", "address_1": "1 Quarry Road"}
    batch = a_printed_batch(2, **home)
    (one, mine), (other, theirs) = pairs_of(batch)
    assert scanned(batch, one, theirs).verdict == Verdict.MISPAIRED, (
        "no relabelling: the right kit is looked for"
    )
    assert scanned(batch, other, mine).verdict == Verdict.MISPAIRED
    for pair in ((one, mine), (other, theirs)):
        scanned(batch, *pair)
        opened(batch, *pair)
    assert posted(batch) == 2
    session = bench.a_session()
    answer = bench.scan(session, mine, bench.day_of(0), condition="other_name")
    assert answer.code == "swap_suspected"
    assert Round.objects.filter(batch=batch, state="closed").count() == 0


# --- a contractor's file -------------------------------------------------------------------------------------------------


def test_the_same_file_and_the_same_line_count_once() -> None:
    batch = a_printed_batch(4)
    pairs = pairs_of(batch)
    first = a_manifest(batch, pairs[:3])
    assert taken(first).verdicts == {"paired": 3}
    assert taken(first, "renamed.csv").was_known
    late = taken(a_manifest(batch, [*pairs, pairs[3]]))
    assert late.verdicts == {"again": 4, "paired": 1}
    assert (late.manifest.paired, late.manifest.known) == (1, 4)
    assert Pack.objects.filter(verdict="paired").count() == 4
    assert (Manifest.objects.count(), KitDoubt.objects.count()) == (2, 0)


def test_what_a_contractor_posted_counts_from_that_day_and_needs_no_pack_opened_here() -> None:
    batch = a_printed_batch(2)
    content = a_manifest(batch, pairs_of(batch), posted="2026-06-17")
    with clock.at(clock.moment(date(2026, 6, 19), 8)):
        assert taken(content).verdicts == {"paired": 2}
        assert posted(batch) == 2
    assert {kit.dispatched_on for kit in kits_of(batch)} == {TODAY}
    assert set(Round.objects.filter(batch=batch).values_list("due_on", flat=True)) == {date(2026, 9, 15)}


@pytest.mark.parametrize(
    ("line", "part"),
    [
        ("{batch},T1,{token},{serial}", "Line 2: it has not five cells"),
        ("{batch},T1,{token},TK12,", "Line 2: A kit serial has 12 characters"),
        ("{batch},T1,{token},{serial},17.06.2026", "is no day as 2026-06-17"),
        ("{batch},T1,{token},{serial},2026-06-18", "cannot have left on a day to come"),
        ("{batch},T1,{token},{serial},2026-06-16", "before its batch was opened"),
        ("999999-9,T1,{token},{serial},", "there is no batch"),
    ],
)
def test_a_wrong_line_is_named_and_nothing_is_taken(line: str, part: str) -> None:
    batch = a_printed_batch(1)
    token, serial = pairs_of(batch)[0]
    row = line.format(batch=batch.number, token=token, serial=serial)
    with pytest.raises(RoundbookError) as refused:
        taken(f"batch,tray,letter,kit,posted_on\n{row}\n".encode())
    assert part in str(refused.value.sentence)
    assert (Manifest.objects.count(), Pack.objects.count()) == (0, 0)


@pytest.mark.parametrize(
    "content", [b"", b"\xff\xfe", b"tray,batch,letter,kit,posted_on\n", b"batch,tray,letter,kit,posted_on\n"]
)
def test_what_is_no_manifest_is_refused(content: bytes) -> None:
    with pytest.raises(RoundbookError) as refused:
        taken(content)
    assert refused.value.code == "manifest_wrong"


def test_what_was_seen_is_never_changed() -> None:
    batch = a_printed_batch(1)
    scanned(batch, *pairs_of(batch)[0])
    with pytest.raises(DatabaseError), transaction.atomic():
        Pack.objects.update(verdict="mispaired")


# --- ten letters before the release ---------------------------------------------------------------------------------------


def test_ten_letters_of_a_batch_can_be_read_before_it_is_released_and_nothing_is_written() -> None:
    batch = a_printed_batch(1)
    for _ in range(3):
        factories.a_person()
    fresh = batch_open(by=cast.member(cast.PHONE_DESK), size=3)
    rounds = list(fresh.rounds.values_list("pk", flat=True))
    rendered = batch_letters_preview(by=cast.member(cast.MANAGER), batch=fresh, round_ids=rounds)
    assert rendered.content.startswith(b"%PDF")
    assert len(rendered.pages) == 3
    assert not Letter.objects.filter(round__batch=fresh).exists()
    assert Letter.objects.filter(round__batch=batch).exists()
    assert Person.objects.count() == 4
