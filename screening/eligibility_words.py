"""The reasons why a person is or is not due, each in words, and what would change it."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING

from django.utils.translation import gettext_lazy as _

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise


class EligibilityCode(StrEnum):
    """Why a person is due or not due; exactly one applies on a day."""

    DUE = "due"
    DIED = "died"
    MERGED = "merged"
    UNDER_INVESTIGATION = "under_investigation"
    IN_A_ROUND = "in_a_round"
    IN_SURVEILLANCE = "in_surveillance"
    NO_NEXT_STEP = "no_next_step"
    OPTED_OUT = "opted_out"
    NO_BIRTH_DATE = "no_birth_date"
    NO_ADDRESS = "no_address"
    EXCLUDED_FOR_GOOD = "excluded_for_good"
    EXCLUSION_UNCONFIRMED = "exclusion_unconfirmed"
    DEATH_TO_LOOK_AT = "death_to_look_at"
    MOVED_AWAY = "moved_away"
    ABOVE_AGE = "above_age"
    LAST_ROUND_DONE = "last_round_done"
    EXCLUDED_FOR_NOW = "excluded_for_now"
    DEATH_LOOKED_AT = "death_looked_at"
    POSTPONED = "postponed"
    POSSIBLE_DUPLICATE = "possible_duplicate"
    TOO_YOUNG = "too_young"
    JOINS_BY_RAMP = "joins_by_ramp"
    NOT_YET_DUE = "not_yet_due"


SENTENCES: dict[EligibilityCode, StrOrPromise] = {
    EligibilityCode.DUE: _("Due: may be put in an invitation batch."),
    EligibilityCode.DIED: _("Not due: the register says this person has died."),
    EligibilityCode.MERGED: _("Not due: this record was merged into another."),
    EligibilityCode.UNDER_INVESTIGATION: _("Not due: a referral is open."),
    EligibilityCode.IN_A_ROUND: _("Not due: a round is open."),
    EligibilityCode.IN_SURVEILLANCE: _("Not due: followed by surveillance instead."),
    EligibilityCode.NO_NEXT_STEP: _(
        "Not due: a result at or above the cutoff was closed without a date for the next invitation."
    ),
    EligibilityCode.OPTED_OUT: _("Not due: opted out of invitations."),
    EligibilityCode.NO_BIRTH_DATE: _("Not due: the birth date is unknown."),
    EligibilityCode.NO_ADDRESS: _("Not due: there is no address to send a kit to."),
    EligibilityCode.EXCLUDED_FOR_GOOD: _("Not due: excluded for good for a medical reason."),
    EligibilityCode.EXCLUSION_UNCONFIRMED: _("Not due: an exclusion waits for confirmation or an end date."),
    EligibilityCode.DEATH_TO_LOOK_AT: _(
        "Not due: a death was reported in error, or is in question, and somebody has to look first."
    ),
    EligibilityCode.MOVED_AWAY: _("Not due: left the programme's area, or leaves before being due."),
    EligibilityCode.ABOVE_AGE: _("Not due: above the age band."),
    EligibilityCode.LAST_ROUND_DONE: _("Not due: will be above the age band when next due."),
    EligibilityCode.EXCLUDED_FOR_NOW: _("Not due: excluded for a time for a medical reason."),
    EligibilityCode.DEATH_LOOKED_AT: _(
        "Not due yet: a death was reported in error; somebody has looked, and the hold is about to end."
    ),
    EligibilityCode.POSTPONED: _("Not due: postponed."),
    EligibilityCode.POSSIBLE_DUPLICATE: _("Not due: held while a possible duplicate record is looked at."),
    EligibilityCode.TOO_YOUNG: _("Not due: below the age band."),
    EligibilityCode.JOINS_BY_RAMP: _(
        "Not due: the age band was widened, and new people join little by little."
    ),
    EligibilityCode.NOT_YET_DUE: _("Not due: the interval since the last round is not over."),
}

CHANGES: dict[EligibilityCode, StrOrPromise] = {
    EligibilityCode.DUE: _("Nothing is in the way."),
    EligibilityCode.DIED: _("Only a death reversed by two people would change this."),
    EligibilityCode.MERGED: _("Look at the record it was merged into."),
    EligibilityCode.UNDER_INVESTIGATION: _("The signed next step of the referral sets the next date."),
    EligibilityCode.IN_A_ROUND: _("The next date is set when the round closes."),
    EligibilityCode.IN_SURVEILLANCE: _("Leaving surveillance with a signed next step would change this."),
    EligibilityCode.NO_NEXT_STEP: _(
        "Opening the referral again, or a next step signed by a clinician, would change this."
    ),
    EligibilityCode.OPTED_OUT: _("The person may come back at any time by telling the programme."),
    EligibilityCode.NO_BIRTH_DATE: _("A birth date from the register would change this."),
    EligibilityCode.NO_ADDRESS: _("An address would change this."),
    EligibilityCode.EXCLUDED_FOR_GOOD: _("Only ending the exclusion would change this."),
    EligibilityCode.EXCLUSION_UNCONFIRMED: _("Confirm the exclusion or give it an end date."),
    EligibilityCode.DEATH_TO_LOOK_AT: _(
        "Where a question of death is open, a second person decides it; then look at the record and end the hold."
    ),
    EligibilityCode.MOVED_AWAY: _("Moving back into the area would change this."),
    EligibilityCode.ABOVE_AGE: _("Nothing by rule; see a doctor about any symptoms."),
    EligibilityCode.LAST_ROUND_DONE: _("Nothing by rule; see a doctor about any symptoms."),
    EligibilityCode.EXCLUDED_FOR_NOW: _("Due from {day}, after the exclusion, if nothing changes."),
    EligibilityCode.DEATH_LOOKED_AT: _("Due from {day}, when the hold has ended, if nothing changes."),
    EligibilityCode.POSTPONED: _("Due from {day}, after the postponement, if nothing changes."),
    EligibilityCode.POSSIBLE_DUPLICATE: _("Due from {day}, or as soon as the records are told apart."),
    EligibilityCode.TOO_YOUNG: _("Due from {day}, when old enough, if nothing changes."),
    EligibilityCode.JOINS_BY_RAMP: _("Due from {day}, when her turn comes, if nothing changes."),
    EligibilityCode.NOT_YET_DUE: _("Due from {day}, when the interval is over, if nothing changes."),
}
