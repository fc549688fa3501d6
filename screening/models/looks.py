"""Records that were opened with a reason, what an auditor found, and what was done where it was not in order. Never changed."""

from typing import ClassVar

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from screening.models.people import Person
from staff.models import Purpose

REASONS = (Purpose.CALL, Purpose.CHECK)
"""The reasons that may be given for opening somebody who is on none of one's lists."""


class ReasonedLook(models.Model):
    """A member of staff opened a person outside their lists of the day, and said why; it holds for that local day.

    Written with the journal's entry of the look. The journal holds every look; this small table holds those that are reviewed.
    """

    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="+")
    user = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+", db_index=False
    )
    day = models.DateField()
    at = models.DateTimeField()
    purpose = models.CharField(max_length=12, choices=Purpose.choices)
    words = models.CharField(_("in a few words"), max_length=60, blank=True, default="")

    class Meta:
        ordering: ClassVar = ["at", "pk"]
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["user", "person", "day"], name="one_reason_a_person_user_and_day"
            ),
            models.CheckConstraint(condition=Q(purpose__in=REASONS), name="opened_record_has_a_reason"),
        ]

    def __str__(self) -> str:
        return f"{self.user_id} opened {self.person_id} on {self.day}"


class LookReview(models.Model):
    """What an auditor found about one such look. Of several the last is in force: each but the first names the one it replaces."""

    look = models.ForeignKey(ReasonedLook, on_delete=models.PROTECT, related_name="reviews", db_index=False)
    replaces = models.ForeignKey("self", on_delete=models.PROTECT, null=True, related_name="+")
    in_order = models.BooleanField(_("in order"))
    words = models.CharField(_("what was found"), max_length=400, blank=True, default="")
    reviewed_at = models.DateTimeField()
    reviewed_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["pk"]
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["look", "replaces"], nulls_distinct=False, name="a_review_is_replaced_once"
            ),
            models.CheckConstraint(
                condition=Q(in_order=True) | ~Q(words=""), name="look_not_in_order_says_why"
            ),
            models.CheckConstraint(condition=Q(replaces=None) | ~Q(words=""), name="another_review_says_why"),
            models.CheckConstraint(
                condition=Q(replaces=None) | Q(replaces__lt=F("id")), name="a_review_replaces_an_earlier_one"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.look_id}: {self.in_order}"


class LookFollowUp(models.Model):
    """What was done about a look that was not in order; until it is written, the look stays on the page."""

    review = models.OneToOneField(LookReview, on_delete=models.PROTECT, related_name="follow_up")
    words = models.CharField(_("what was done"), max_length=400)
    written_at = models.DateTimeField()
    written_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["pk"]
        constraints: ClassVar = [
            models.CheckConstraint(condition=~Q(words=""), name="follow_up_of_a_look_says_what_was_done"),
        ]

    def __str__(self) -> str:
        return self.words


NOBODY_JUDGES_THE_OWN_LOOK = """
CREATE OR REPLACE FUNCTION screening_own_look() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE looked bigint; judged bigint;
BEGIN
    IF TG_TABLE_NAME = 'screening_lookreview' THEN
        SELECT l.user_id INTO looked FROM screening_reasonedlook l WHERE l.id = NEW.look_id;
        judged := NEW.reviewed_by_id;
        IF NEW.replaces_id IS NOT NULL AND NEW.look_id IS DISTINCT FROM
                (SELECT r.look_id FROM screening_lookreview r WHERE r.id = NEW.replaces_id) THEN
            RAISE EXCEPTION 'a_review_replaces_one_of_the_same_look' USING ERRCODE = '23514';
        END IF;
    ELSE
        SELECT l.user_id INTO looked FROM screening_reasonedlook l JOIN screening_lookreview r ON r.look_id = l.id
        WHERE r.id = NEW.review_id;
        judged := NEW.written_by_id;
    END IF;
    IF looked = judged THEN
        RAISE EXCEPTION 'nobody_judges_the_own_look' USING ERRCODE = '23514';
    END IF;
    RETURN NEW;
END $$;
CREATE OR REPLACE TRIGGER nobody_judges_the_own_look BEFORE INSERT ON screening_lookreview
    FOR EACH ROW EXECUTE FUNCTION screening_own_look();
CREATE OR REPLACE TRIGGER nobody_judges_the_own_look BEFORE INSERT ON screening_lookfollowup
    FOR EACH ROW EXECUTE FUNCTION screening_own_look();
"""
