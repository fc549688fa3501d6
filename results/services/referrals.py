"""Everything that can be done to a referral, under one roof: import services of follow-up from here."""

from results.services.referral_opening import referral_open_for
from results.services.referrals_assessment import assessment_recheck, assessment_record
from results.services.referrals_attendance import booking_outcome, booking_outcome_take_back
from results.services.referrals_booking import (
    booking_confirm,
    booking_give_back,
    booking_make,
    examination_request,
    request_acknowledged,
)
from results.services.referrals_closing import (
    closing_proposal,
    next_step_sign,
    referral_close,
    referral_close_propose,
    referral_reopen,
)
from results.services.referrals_contact import (
    contact_attempt_record,
    referral_chase,
    referral_claim,
    referral_elsewhere,
    referral_hand_back,
    referral_hand_over,
    referral_pause,
    referral_reschedule,
    referral_resume,
    referral_undecided,
)
from results.services.referrals_report import (
    examination_record,
    histology_amend,
    histology_record,
    repeat_plan,
)

__all__ = [
    "assessment_recheck", "assessment_record", "booking_confirm", "booking_give_back", "booking_make", "booking_outcome", "booking_outcome_take_back", "closing_proposal", "contact_attempt_record",
    "examination_record", "examination_request", "histology_amend", "histology_record", "next_step_sign", "referral_chase", "referral_claim",
    "referral_close", "referral_close_propose", "referral_elsewhere", "referral_hand_back", "referral_hand_over",
    "referral_open_for", "referral_pause", "referral_reopen", "referral_reschedule", "referral_resume",
    "referral_undecided", "repeat_plan", "request_acknowledged",
]  # fmt: skip
