"""What may follow what for samples and referrals. Pure: no model, no clock, no settings."""

from django.utils.translation import gettext_lazy as _

from staff.ledger.machine import Kind, Machine, Step, stay, steps
from staff.roles import Role

LAB = frozenset({Role.LABORATORY})
FOLLOW = frozenset({Role.COORDINATOR, Role.CLINICIAN})
CLINIC = frozenset({Role.CLINICIAN})

SAMPLE = Machine(
    name="sample",
    states={
        "ready": Kind.OPEN,
        "in_run": Kind.OPEN,
        "measured": Kind.OPEN,
        "repeat": Kind.OPEN,
        "held": Kind.OPEN,
        "ready_to_authorise": Kind.OPEN,
        "reported": Kind.RESTING,
        "not_measurable": Kind.RESTING,
        "unsuitable": Kind.RESTING,
        "recalled": Kind.RESTING,
    },
    labels={
        "ready": _("on the bench queue"),
        "in_run": _("in a run"),
        "measured": _("measured, controls still open"),
        "repeat": _("to be measured again"),
        "held": _("held by the controls"),
        "ready_to_authorise": _("ready to release"),
        "reported": _("reported"),
        "not_measurable": _("not measurable"),
        "unsuitable": _("unsuitable"),
        "recalled": _("taken back to the desk"),
    },
    steps=(
        *steps(
            "take_in",
            ["", "recalled"],
            "ready",
            LAB,
            "its return is ready; the same vial when it was scanned anew",
        ),
        *steps(
            "load", ["ready", "repeat"], "in_run", LAB, "scanned at the bench into an open run in control"
        ),
        Step("park", "in_run", "ready", LAB, "taken out of its position without a reading"),
        *steps("measure", ["ready", "repeat", "in_run"], "measured", LAB, "a usable reading arrived"),
        *steps("flag", ["ready", "in_run"], "repeat", LAB, "the analyser flagged it once"),
        Step("give_up", "repeat", "not_measurable", LAB, "flagged a second time"),
        *steps(
            "bracket",
            ["measured", "held"],
            "ready_to_authorise",
            LAB,
            "controls before and after are in control (R6)",
        ),
        *steps(
            "hold", ["measured", "ready_to_authorise"], "held", LAB, "a control is out, missing or expired"
        ),
        *steps(
            "retest", ["held", "ready_to_authorise"], "repeat", LAB, "to be measured again from the kept vial"
        ),
        *steps(
            "spoil",
            ["ready", "in_run", "repeat", "held"],
            "unsuitable",
            LAB,
            "too old at analysis, or spoilt",
        ),
        Step("report", "ready_to_authorise", "reported", LAB, "its result was authorised"),
        Step("withdraw", "reported", "repeat", LAB, "its result was withdrawn"),
        *steps(
            "recall", ["ready", "repeat"], "recalled", LAB, "its return was undone or rejected at the desk"
        ),
        *stay(
            "reschedule",
            ["ready", "in_run", "measured", "repeat", "held", "ready_to_authorise"],
            LAB,
            "date or owner",
        ),
    ),
)

REFERRAL_OPEN = (
    "to_reach", "to_assess", "to_book", "requested", "booked", "report_due", "histology_due", "to_classify",
)  # fmt: skip
REFERRAL_SIDE = ("undecided", "paused_until", "elsewhere", "repeat_planned")
_ALL = [*REFERRAL_OPEN, *REFERRAL_SIDE]
_BEFORE_EXAM = ["to_reach", "to_assess", "to_book", "requested", "booked"]

REFERRAL = Machine(
    name="referral",
    states={**dict.fromkeys(_ALL, Kind.OPEN), "closed": Kind.CLOSED},
    labels={
        "to_reach": _("reach the person"),
        "to_assess": _("assess"),
        "to_book": _("book the examination"),
        "requested": _("requested, waiting for a date"),
        "booked": _("booked, to attend"),
        "report_due": _("examined, report awaited"),
        "histology_due": _("histology awaited"),
        "to_classify": _("decide the next step"),
        "undecided": _("undecided or declining: talk with the person"),
        "paused_until": _("paused until a date"),
        "elsewhere": _("examined elsewhere, report awaited"),
        "repeat_planned": _("another examination planned"),
        "closed": _("closed"),
    },
    steps=(
        Step("open", "", "to_reach", frozenset({Role.LABORATORY}), "a result at or above was authorised"),
        *stay("attempt", ["to_reach", "undecided"], FOLLOW, "an attempt that did not reach the person"),
        *steps(
            "reached",
            ["to_reach", "undecided", "paused_until"],
            "to_assess",
            FOLLOW,
            "spoke with the person, who wants to go on",
        ),
        *steps(
            "undecided",
            ["to_reach", "to_assess", "to_book"],
            "undecided",
            FOLLOW,
            "next date at most 14 days ahead",
        ),
        *steps(
            "pause", _BEFORE_EXAM, "paused_until", FOLLOW, "until a date, chosen by the person or a clinician"
        ),
        *steps(
            "resume", ["paused_until", "elsewhere"], "to_reach", FOLLOW, "the date came, or the person rang"
        ),
        *steps("assessed", ["to_assess", "to_reach"], "to_book", FOLLOW, "fit, with or without conditions"),
        *steps(
            "request", ["to_book", "repeat_planned"], "requested", FOLLOW, "a site was asked for a date (R17)"
        ),
        *steps(
            "book",
            ["to_book", "requested", "repeat_planned"],
            "booked",
            FOLLOW,
            "site, day and time are known",
        ),
        Step("unbook", "booked", "to_book", FOLLOW, "did not attend, or cancelled; never closes by itself"),
        *steps(
            "attendance_undone",
            ["to_book", "report_due"],
            "booked",
            FOLLOW,
            "the answer about attendance was wrong; the booking stands again",
        ),
        *steps("examined", ["booked"], "report_due", FOLLOW, "attended; the report is due"),
        *steps(
            "report",
            ["booked", "report_due", "elsewhere"],
            "to_classify",
            FOLLOW,
            "report is in and nothing went to pathology",
        ),
        *steps(
            "report_specimen",
            ["booked", "report_due", "elsewhere"],
            "histology_due",
            FOLLOW,
            "report is in, specimens went to pathology",
        ),
        Step("histology", "histology_due", "to_classify", FOLLOW, "all histology is in"),
        *steps(
            "elsewhere",
            [*_BEFORE_EXAM, "undecided"],
            "elsewhere",
            FOLLOW,
            "examined elsewhere; chased for the report",
        ),
        *steps(
            "repeat",
            ["to_classify", "report_due", "histology_due"],
            "repeat_planned",
            CLINIC,
            "incomplete or early repeat, at most 12 months (R9)",
        ),
        *steps("close", _ALL, "closed", FOLLOW, "with a reason and the evidence it demands"),
        Step("reopen", "closed", "to_reach", FOLLOW, "new contact, or a new result at or above"),
        *steps(
            "reclassify",
            ["closed", "to_classify"],
            "to_classify",
            FOLLOW,
            "pathology amended its report and the class or the proposal changed",
        ),
        *stay("claim", _ALL, FOLLOW, "only the owner changes"),
        *stay("reschedule", _ALL, FOLLOW, "only date or owner change"),
    ),
)

REFERRAL_CLOSE_REASONS = {
    "next_step_signed": _("finished with a signed next step"),
    "informed_refusal": _("informed refusal"),
    "unfit_for_good": _("unfit for good"),
    "already_examined": _("already examined, report attached"),
    "examined_elsewhere": _("examined elsewhere, report attached"),
    "not_reached": _("could not be reached"),
    "died": _("died"),
    "transferred": _("transferred, receipt attached"),
    "result_withdrawn": _("result withdrawn"),
    "surveillance_ended": _("surveillance ended by a clinician"),
}
"""Close reason → words; the evidence each demands is in `results.closing`."""
