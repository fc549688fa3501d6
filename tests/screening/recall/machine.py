"""A machine of random steps over a few people: the registry's services on one side, `Believed` on the other.

Steps come in any order: feed, death, move, opt-out, postponement, invitation, return, result, protocol change, days.
"""

from datetime import date, timedelta

from django.db import connection
from hypothesis import strategies as st
from hypothesis.stateful import initialize, invariant, precondition, rule

from screening.models import Kit, Lot, PersonIdentifier, Protocol, Round, ScreeningPolicy, Stop
from screening.serials import person_number_make
from screening.services.batches import (
    batch_dispatch,
    batch_open,
    batch_release,
    kit_reported_lost,
    kit_undelivered,
    kits_stock,
    replacements_send,
)  # fmt: skip
from screening.services.due import due_dates_refresh, due_dates_sweep, person_eligibility
from screening.services.intake import delivery_record, returns_log_many
from screening.services.people import postponement_record, stop_end, stop_record
from screening.services.rounds import (
    round_follow_up_concluded,
    rounds_close_unreturned,
    rounds_reported_at_or_above,
    rounds_reported_below,
    rounds_unsuitable,
)  # fmt: skip
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import Site, User
from tests import cast
from tests.screening.recall.believed import REOPENED, Band, Believed, Passage
from tests.screening.recall.ground import BIRTHS, WHO, Ground

INTERRUPTIONS = ["dies", "leaves", "opts_out", "waits", "gone", "silent"]
"""Rare by themselves, since a person has to be under way just then; so a run may begin with some of them."""


class OnePlace(Ground):
    """Six people, one batch after another."""

    @initialize(
        opening=st.integers(0, 5),
        high=st.booleans(),
        befalls=st.lists(st.sampled_from(INTERRUPTIONS), max_size=3, unique=True),
    )
    def begin(self, opening: int, high: bool, befalls: list[str]) -> None:
        """The register's first file and some kits; often somebody is well on the way already, or something came between."""
        with self.now():
            for n, birth in enumerate(BIRTHS, start=1):
                self.people.append(Believed(person_number_make(n), birth))
            assert self.feed(*(self.line(p) for p in self.people), name="first.csv").created == len(BIRTHS)
            lot = Lot.objects.order_by("-expires_on")[0]
            Lot.objects.filter(pk=lot.pk).update(expires_on=date(2060, 1, 1))
            kits_stock(by=self.by(cast.ADMINISTRATOR), lot=lot, first_number=1, count=120)
        if befalls:
            self.invites(6)
            self.hands_over()
        for i, how in enumerate(befalls):
            self.is_interrupted(i, how)
        for _ in range(opening):
            for i in range(4):
                self.goes_on(i, high)

    @rule(i=WHO, high=st.booleans())
    def goes_on(self, i: int, high: bool) -> None:
        """Whatever usually comes next for a person."""
        place = self.people[i].place
        if place == "free":
            self.invites(6)
        elif place == "kit_due":
            self.hands_over()
            self.replacements()
        elif place == "kit_out":
            self.kit_comes_back(i)
        elif place == "result_due":
            self.result(i, high)
        else:
            self.follow_up_ends(i, 12)

    @rule(first=WHO, second=WHO, high=st.booleans())
    def two_go_on(self, first: int, second: int, high: bool) -> None:
        """The same for two."""
        self.goes_on(first, high)
        self.goes_on(second, not high)

    @rule(i=WHO, how=st.sampled_from(INTERRUPTIONS))
    def is_interrupted(self, i: int, how: str) -> None:
        """Something comes between while the kit is here or with the person."""
        under_way = [n for n, p in enumerate(self.people) if p.place in {"kit_due", "kit_out"}] or [i]
        which = under_way[i % len(under_way)]
        if how == "dies":
            self.dies(which)
        elif how == "leaves":
            self.moves_away(which, 0)
        elif how == "opts_out":
            self.opts_out(which)
        elif how == "waits":
            self.postpones(which, 30)
        elif how == "silent":
            self.days_pass(95)
        else:
            self.kit_gone(which, lost=True)

    @rule()
    def the_same_register_again(self) -> None:
        """A whole file in which nothing changed."""
        with self.now():
            lines = [self.line(p, deceased_on="") for p in self.people]
            load = self.feed(*lines, name="full.csv")
            assert (load.created, load.changed, load.unchanged) == (0, 0, len(self.people))

    @rule(i=WHO)
    def dies(self, i: int) -> None:
        """The register says a person died; a referral goes on."""
        one = self.people[i]
        with self.now() as today:
            self.feed(self.line(one, deceased_on=today))
            one.died = True
            if one.place in {"kit_due", "kit_out", "result_due"}:
                one.ends("died", today)

    @rule(i=WHO, ahead=st.sampled_from([-3, 0, 40]))
    def moves_away(self, i: int, ahead: int) -> None:
        """The register says a person leaves, on a day that may lie ahead."""
        one = self.people[i]
        with self.now() as today:
            one.left = today + timedelta(days=ahead)
            self.feed(self.line(one, deceased_on=self._death(one)))
            if one.left <= today and one.place in {"kit_due", "kit_out"}:
                one.ends("moved_away", today)

    @rule(i=WHO)
    def moves_in_again(self, i: int) -> None:
        """The register has the person back."""
        one = self.people[i]
        with self.now():
            one.left = None
            self.feed(self.line(one))

    def _death(self, one: Believed) -> object:
        return self.row(one).deceased_on or ""

    @rule(i=WHO)
    def opts_out(self, i: int) -> None:
        """No more invitations."""
        one = self.people[i]
        with self.now() as today:
            stop_record(by=self.by(), person=self.row(one), scope="invitations", source="called")
            if not one.out and one.place in {"kit_due", "kit_out"}:
                one.ends("declined", today)
            one.out = True

    @rule(i=WHO)
    def opts_in(self, i: int) -> None:
        """The way back."""
        one = self.people[i]
        with self.now() as today:
            for stop in Stop.objects.filter(person=self.row(one), ended_on=None):
                stop_end(by=self.by(), stop=stop)
                one.out = False
                one.came_back.append(today)

    @rule(i=WHO, days=st.sampled_from([1, 30, 200, 365]))
    def postpones(self, i: int, days: int) -> None:
        """Not before a day."""
        one = self.people[i]
        with self.now() as today:
            until = today + timedelta(days=days)
            postponement_record(by=self.by(), person=self.row(one), until=until)
            one.waits = max(one.waits or until, until)
            if one.place in {"kit_due", "kit_out"}:
                one.ends("postponed", today)

    @rule(size=st.integers(1, 6))
    def invites(self, size: int) -> None:
        """A batch: nobody is in it by mistake, and the longest overdue are."""
        with self.now() as today:
            due = [(p.due_on(today, self.band), n) for n, p in enumerate(self.people)]
            expected = [self.people[n] for day, n in sorted((d, n) for d, n in due if d and d <= today)][
                :size
            ]
            try:
                batch = batch_open(by=self.by(cast.MANAGER), size=size)
            except RoundbookError as error:
                if error.code != "nobody_due" or expected:
                    raise AssertionError(expected) from error
                return
            ids = batch.rounds.values_list("person_id", flat=True)
            numbers = PersonIdentifier.objects.filter(person__in=ids).values_list("value", flat=True)
            assert set(numbers) == {p.number for p in expected}
            for one in expected:
                assert one.may_be_invited(today), one
                one.rounds.append(Passage(today))
                one.place = "kit_due"

    @rule()
    def hands_over(self) -> None:
        """Everything packed goes to the post."""
        with self.now() as today:
            for number in list(
                Round.objects.filter(state="kit_due", dispatched_on=None).values_list("batch", flat=True)
            ):
                batch = Round.objects.filter(batch=number)[0].batch
                assert batch is not None
                batch_release(by=self.by(), batch=batch, stale_note="played without files")
                batch_dispatch(by=self.by(cast.MANAGER), batch=batch)
            for one in self.people:
                if one.place == "kit_due" and self.open_round(one).kits.filter(
                    state="dispatched", void_on=None
                ):
                    one.place = "kit_out"
            late = Kit.objects.filter(dispatched_on=today).values_list(
                "round__person__identifiers__value", flat=True
            )
            assert not [
                p
                for p in self.people
                if p.number in set(late) and p.place == "free" and p.died and not p.rounds
            ]

    @rule(i=WHO, lost=st.booleans())
    def kit_gone(self, i: int, lost: bool) -> None:
        """The kit never came, or the post brought it back."""
        one = self.people[i]
        if one.place == "kit_out":
            with self.now():
                kit = self.open_round(one).kits.get(state="dispatched", void_on=None)
                (kit_reported_lost if lost else kit_undelivered)(by=self.by(), kit=kit)
                one.place = "kit_due"

    @rule()
    def replacements(self) -> None:
        """Another kit for whoever waits for one."""
        with self.now() as today:
            replacements_send(by=self.by())
            for one in self.people:
                if one.place != "kit_due":
                    continue
                current = Round.objects.get(pk=Round.objects.filter(person=self.row(one)).latest("pk").pk)
                if current.state == "closed":  # stopped while the kit was here, or since
                    assert current.close_reason in one.stopped_by(today), one
                    one.ends(current.close_reason, today)
                    assert not one.may_be_invited(today) or one.waits, one
                elif current.state == "kit_out":
                    one.place = "kit_out"

    @rule(i=WHO)
    def kit_comes_back(self, i: int) -> None:
        """A kit in the post: of the open round, or late, of one that closed without a result."""
        one = self.people[i]
        with self.now() as today:
            last = Round.objects.filter(person=self.row(one)).order_by("-pk").first()
            kit = last and last.kits.filter(state="dispatched").order_by("-ordinal").first()
            if not last or not kit:
                return
            sack = delivery_record(
                by=self.by(cast.FRONT_DESK), site=Site.objects.get(code="QHC"), arrived_on=today
            )
            logged = returns_log_many(
                by=self.by(cast.FRONT_DESK), delivery=sack, rows=[(kit.serial, str(today.day), "")]
            )
            assert logged.logged == 1
            if one.place in {"kit_out", "kit_due"} and not one.died:
                one.place = "result_due"
            elif one.place == "free" and one.rounds[-1].reason in REOPENED and not one.died:
                one.rounds[-1].ended, one.rounds[-1].reason, one.place = None, "", "result_due"

    @rule(i=WHO, high=st.booleans())
    def result(self, i: int, high: bool) -> None:
        """The laboratory reports."""
        one = self.people[i]
        if one.place == "result_due":
            with self.now() as today:
                round_ = self.open_round(one)
                if high:
                    rounds_reported_at_or_above(
                        by=self.by(cast.LAB_LEAD), round_ids=[round_.pk], due_on=today
                    )
                    one.place = "follow_up"
                else:
                    rounds_reported_below(by=self.by(cast.LAB_LEAD), rows=[(round_.pk, today)])
                    one.ends("below", today)

    @rule(i=WHO)
    def unsuitable(self, i: int) -> None:
        """What came cannot be measured."""
        one = self.people[i]
        if one.place == "result_due":
            with self.now():
                rounds_unsuitable(by=self.by(cast.LAB_LEAD), round_ids=[self.open_round(one).pk])
                one.place = "kit_due"

    @rule(i=WHO, months=st.sampled_from([0, 12, 36]))
    def follow_up_ends(self, i: int, months: int) -> None:
        """The signed next step: a day, or none."""
        one = self.people[i]
        if one.place == "follow_up":
            with self.now() as today:
                signed = today + timedelta(days=30 * months) if months else None
                round_follow_up_concluded(
                    by=self.by(cast.CLINICIAN), round=self.open_round(one), next_due_on=signed
                )
                one.ends("follow_up_concluded", today, signed)

    @rule(days=st.sampled_from([1, 7, 30, 95, 400]))
    def days_pass(self, days: int) -> None:
        """Time, and each morning's duties."""
        self.moment += timedelta(days=days)
        with self.now() as today:
            system = User.objects.system()
            rounds_close_unreturned(by=system)
            due_dates_sweep(by=system)
            for one in self.people:
                if one.place == "kit_out":
                    last = Round.objects.filter(person=self.row(one)).latest("pk")
                    kits = last.kits.exclude(dispatched_on=None).order_by("ordinal")
                    replaced = [k.dispatched_on for k in kits if k.ordinal > 1]
                    first = last.dispatched_on
                    over = max([first + timedelta(90), *(d + timedelta(60) for d in replaced)])
                    if over <= today:
                        one.ends("not_returned", today)

    @precondition(lambda self: len(self.people) > 0)
    @rule(
        youngest=st.sampled_from([45, 50, 55]),
        oldest=st.sampled_from([69, 74]),
        months=st.sampled_from([12, 24, 36]),
    )
    def protocol_changes(self, youngest: int, oldest: int, months: int) -> None:
        """Another band and interval, in force from today."""
        with self.now() as today, acting(self.by(cast.ADMINISTRATOR)) as frame:
            if Protocol.objects.filter(valid_from=today).exists():
                return
            Protocol.objects.filter(valid_to=None).update(valid_to=today)
            protocol = Protocol.objects.create(
                name=f"Protocol {today}", valid_from=today, proposed_by=self.by(cast.ADMINISTRATOR),
                approved_by=self.by(cast.CLINICIAN), approved_at=frame.now, carries_screening=True,
            )  # fmt: skip
            ScreeningPolicy.objects.create(
                pairs_proven=False,
                protocol=protocol,
                age_from=youngest,
                age_to=oldest,
                interval_months=months,
            )
            self.band = Band(youngest, oldest, months)
            frame.memo.clear()
            due_dates_refresh(by=self.by(cast.ADMINISTRATOR))

    # --- what always holds -----------------------------------------------------------------------------------

    @invariant()
    def everybody_is_in_exactly_one_place(self) -> None:
        """The registry's places are those believed; never two, never none; the stored date is the rule's."""
        with self.now() as today:
            for one in self.people:
                person = self.row(one)
                states = list(
                    Round.objects.filter(person=person)
                    .exclude(state="closed")
                    .values_list("state", flat=True)
                )
                assert states == ([] if one.place == "free" else [one.place]), (one, states)
                assert person.next_due_on == one.due_on(today, self.band), (one, person.not_due_code)
                answer = person_eligibility(person, on=today)
                assert answer.next_due_on == person.next_due_on
                places = [
                    bool(states),
                    person.next_due_on is not None,
                    not states and person.not_due_code != "",
                ]
                assert places.count(True) == 1, (one, places, person.not_due_code)
                assert str(answer.sentence)
                assert str(answer.would_change)

    @invariant()
    def nobody_dead_or_opted_out_has_a_kit_on_its_way_unsent(self) -> None:
        """No kit waits to be sent to somebody who may not have it; deferred constraints hold."""
        connection.check_constraints()
        for one in self.people:
            if one.died or one.out:
                person = self.row(one)
                waiting = Kit.objects.filter(round__person=person, state="assigned", void_on=None)
                assert not waiting.exists() or one.place == "result_due", one
                assert person.next_due_on is None
