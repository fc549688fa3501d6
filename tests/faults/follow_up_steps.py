"""The steps of a play that follow a referral, and how a play draws what it works on."""

import random
from datetime import time, timedelta
from typing import Any

from django.db.models import Model, QuerySet

from results.assessment_rules import QUESTIONS
from results.models import Booking, Referral
from results.services import referrals as follow
from staff import clock
from staff.errors import RoundbookError
from staff.models import Site, User
from tests import cast

ANSWERS = {key: question.expected for key, question in QUESTIONS.items()} | {"diabetes": True}
FINDINGS = ("cancer", "advanced_adenoma", "non_advanced", "other", "nothing", "inconclusive")


class Drawing:
    """Draws rows with the play's own dice."""

    rng: random.Random

    def _some(self, found: "QuerySet[Any] | type[Model]", **which: object) -> Any:
        """Some row, any with these facts; a refusal when there is none."""
        manager = found.objects.all() if isinstance(found, type) else found
        keys = list(manager.filter(**which).order_by("pk").values_list("pk", flat=True))
        if not keys:
            raise RoundbookError("nothing_there", "There is none.")
        return manager.get(pk=self.rng.choice(keys))

    def _mostly(self, model: type[Model], **which: object) -> Any:
        """Mostly one for which the step is meant, sometimes any."""
        if self.rng.random() < 0.85 and model.objects.filter(**which).exists():
            return self._some(model, **which)
        return self._some(model)

    def _by(self, name: str) -> User:
        return cast.member(name)


class FollowUpSteps(Drawing):
    """What coordinators, nurses and clinicians do."""

    def _referral(self, *states: str) -> Referral:
        found: Referral = self._mostly(Referral, state__in=states)
        return found

    def do_claim(self) -> bool:
        follow.referral_claim(by=self._by(cast.NURSE), referral=self._referral("to_reach"))
        return True

    def do_contact(self) -> bool:
        outcome = self.rng.choice(["no_answer", "voicemail", "spoke", "spoke", "sent"])
        wish = self.rng.choice(["go_on", "go_on", "undecided", "refused"]) if outcome == "spoke" else ""
        follow.contact_attempt_record(
            by=self._by(cast.NURSE),
            referral=self._referral("to_reach", "undecided"),
            outcome=outcome,
            wish=wish,
        )
        return wish == "go_on"

    def do_pause(self) -> bool:
        until = clock.today() + timedelta(days=self.rng.randint(1, 60))
        follow.referral_pause(
            by=self._by(cast.NURSE), referral=self._referral("to_book"), until=until, note="away"
        )
        return True

    def do_resume(self) -> bool:
        follow.referral_resume(by=self._by(cast.NURSE), referral=self._referral("paused_until", "elsewhere"))
        return True

    def do_elsewhere(self) -> bool:
        follow.referral_elsewhere(
            by=self._by(cast.NURSE), referral=self._referral("to_assess"), where="abroad"
        )
        return True

    def do_assess(self) -> bool:
        outcome = self.rng.choice(["fit", "fit", "conditions", "alternative"])
        follow.assessment_record(
            by=self._by(cast.NURSE), referral=self._referral("to_assess"), outcome=outcome, answers=ANSWERS, plan="as told",
            preparation="macrogol",
        )  # fmt: skip
        return True

    def do_book(self) -> bool:
        day = clock.today() + timedelta(days=self.rng.choice([0, 0, 1, 9]))
        follow.booking_make(
            by=self._by(cast.NURSE), referral=self._referral("to_book", "requested"), site=Site.objects.get(code="QCU"),
            day=day, time=time(9, 30),
        )  # fmt: skip
        return True

    def do_attend(self) -> bool:
        outcome = self.rng.choice(["attended", "attended", "missed", "cancelled_person", "cancelled_site"])
        booking = self._mostly(Booking, status="booked")
        follow.booking_outcome(by=self._by(cast.NURSE), booking=booking, outcome=outcome)
        return outcome == "attended"

    def do_examine(self) -> bool:
        follow.examination_record(
            by=self._by(cast.NURSE), referral=self._referral("report_due", "booked", "elsewhere"), day=clock.today(),
            complete=self.rng.random() < 0.8, prep_adequate=self.rng.random() < 0.9, finding=self.rng.choice(FINDINGS),
            report_document="REP-1", specimens=self.rng.choice([0, 0, 2]),
        )  # fmt: skip
        return True

    def do_histology(self) -> bool:
        follow.histology_record(
            by=self._by(cast.NURSE), referral=self._referral("histology_due"), histology="adenoma, low grade"
        )
        return True

    def do_sign(self) -> bool:
        step = self.rng.choice(["screening", "surveillance", "treatment", "no_further"])
        on = clock.today() + timedelta(days=400) if step == "surveillance" else None
        follow.next_step_sign(
            by=self._by(cast.CLINICIAN), referral=self._referral("to_classify"), finding=self.rng.choice(FINDINGS), step=step,
            words="as discussed", histology="none", on=on, close=self.rng.random() < 0.5, deviation="agreed with the person",
        )  # fmt: skip
        return True

    def do_close_referral(self) -> bool:
        reason = self.rng.choice(
            ["next_step_signed", "informed_refusal", "not_reached", "died", "transferred"]
        )
        follow.referral_close(
            by=self._by(cast.CLINICIAN), referral=self._referral("to_classify", "to_reach", "to_assess"), reason=reason,
            note="told in full", document="DOC-1",
        )  # fmt: skip
        return True

    def do_reopen_referral(self) -> bool:
        follow.referral_reopen(
            by=self._by(cast.CLINICIAN), referral=self._referral("closed"), note="rang again"
        )
        return True
