"""What may follow what for rounds, kits and returns. Pure: no model, no clock, no settings."""

from django.utils.translation import gettext_lazy as _

from staff.ledger.machine import Kind, Machine, Step, stay, steps
from staff.roles import Role

DESK = frozenset({Role.FRONT_DESK, Role.PHONE_DESK, Role.LABORATORY})
OFFICE = frozenset({Role.PHONE_DESK, Role.MANAGER, Role.ADMINISTRATOR})
OPEN_ROUND = ("kit_due", "kit_out", "result_due", "follow_up")

ROUND = Machine(
    name="round",
    states={
        "kit_due": Kind.OPEN,
        "kit_out": Kind.OPEN,
        "result_due": Kind.OPEN,
        "follow_up": Kind.OPEN,
        "closed": Kind.CLOSED,
    },
    labels={
        "kit_due": _("waiting for a kit to be sent"),
        "kit_out": _("kit is with the person"),
        "result_due": _("kit came back, waiting for the result"),
        "follow_up": _("more tests needed, being followed up"),
        "closed": _("closed"),
    },
    steps=(
        Step("open", "", "kit_due", OFFICE, "due today by the rule, and in no other open round"),
        Step("kit_sent", "kit_due", "kit_out", OFFICE, "a kit of this round was handed to the post"),
        *steps(
            "kit_back", ["kit_due", "kit_out"], "result_due", DESK, "a kit of this round is in the building"
        ),
        Step(
            "kit_gone",
            "kit_out",
            "kit_due",
            OFFICE | DESK,
            "its kit was reported lost or came back undelivered",
        ),
        Step("kit_back_undone", "result_due", "kit_out", DESK, "the scan was undone"),
        Step(
            "kit_back_undone",
            "kit_due",
            "kit_out",
            DESK,
            "the scan that found its kit unsuitable was undone; no other kit is assigned yet",
        ),
        Step("unsuitable", "result_due", "kit_due", DESK, "no kit of this round can be measured"),
        Step("below", "result_due", "closed", frozenset({Role.LABORATORY}), "a result below was authorised"),
        Step(
            "at_or_above",
            "result_due",
            "follow_up",
            frozenset({Role.LABORATORY}),
            "a result at or above was authorised",
        ),
        Step(
            "conclude",
            "follow_up",
            "closed",
            frozenset({Role.CLINICIAN, Role.COORDINATOR}),
            "the referral is closed",
        ),
        *steps(
            "close",
            ["kit_due", "kit_out", "result_due"],
            "closed",
            OFFICE,
            "with a reason that is not a result",
        ),
        Step("late_kit", "closed", "result_due", DESK, "closed without a result, and a kit came (R7)"),
        Step(
            "raise",
            "closed",
            "follow_up",
            frozenset({Role.LABORATORY}),
            "closed below; amended or second kit at or above (R7)",
        ),
        *steps(
            "withdraw",
            ["closed", "follow_up"],
            "result_due",
            frozenset({Role.LABORATORY}),
            "the result was withdrawn",
        ),
        *stay(
            "reschedule",
            ["kit_due", "kit_out", "result_due", "follow_up"],
            OFFICE,
            "only date or owner change",
        ),
    ),
)

ROUND_CLOSE_REASONS = {
    "below": _("result below the cutoff"),
    "not_returned": _("no kit came back"),
    "declined": _("declined"),
    "undeliverable": _("could not be delivered"),
    "no_usable_sample": _("no usable sample"),
    "postponed": _("postponed"),
    "excluded": _("excluded"),
    "died": _("died"),
    "moved_away": _("moved away"),
    "result_withdrawn": _("result withdrawn"),
    "superseded": _("superseded by another round"),
    "follow_up_concluded": _("follow-up concluded"),
    "entered_in_error": _("entered in error"),
}
REOPENED_BY_LATE_KIT = frozenset({"not_returned", "declined", "no_usable_sample", "postponed", "moved_away"})

KIT = Machine(
    name="kit",
    states={
        "in_stock": Kind.RESTING,
        "assigned": Kind.RESTING,
        "dispatched": Kind.RESTING,
        "returned": Kind.RESTING,
        "undelivered": Kind.RESTING,
        "reported_lost": Kind.RESTING,
    },
    labels={
        "in_stock": _("in stock"),
        "assigned": _("assigned to a person"),
        "dispatched": _("handed to the post"),
        "returned": _("came back"),
        "undelivered": _("could not be delivered"),
        "reported_lost": _("reported lost"),
    },
    steps=(
        Step("stock", "", "in_stock", frozenset({Role.ADMINISTRATOR}), "its lot was received"),
        Step("assign", "in_stock", "assigned", OFFICE, "lot not quarantined and long enough in date"),
        Step("dispatch", "assigned", "dispatched", OFFICE, "handed to the post with its letter"),
        *steps(
            "return",
            ["assigned", "dispatched", "undelivered", "reported_lost"],
            "returned",
            DESK,
            "it is in the building",
        ),
        Step("return_undone", "returned", "dispatched", DESK, "the scan was undone"),
        Step("undelivered", "dispatched", "undelivered", DESK, "the post brought the envelope back"),
        Step("lost", "dispatched", "reported_lost", DESK, "the person says it never came or is gone"),
    ),
)

RETURN = Machine(
    name="return",
    states={
        "logged": Kind.OPEN,
        "set_aside": Kind.OPEN,
        "ready": Kind.RESTING,
        "unsuitable": Kind.RESTING,
        "undone": Kind.RESTING,
    },
    labels={
        "logged": _("logged"),
        "set_aside": _("set aside"),
        "ready": _("ready for the bench"),
        "unsuitable": _("unsuitable"),
        "undone": _("scan undone"),
    },
    steps=(
        Step("log", "", "logged", DESK, "its serial was scanned from a delivery"),
        Step("accept", "logged", "ready", DESK, "identity, dates and lot are in order"),
        Step("set_aside", "logged", "set_aside", DESK, "a reason from the list"),
        Step("solve", "set_aside", "ready", DESK, "the question was answered"),
        *steps("reject", ["logged", "set_aside", "ready"], "unsuitable", DESK, "a reason from the list"),
        *steps(
            "undo",
            ["logged", "ready", "set_aside", "unsuitable"],
            "undone",
            DESK,
            "before its sample was measured",
        ),
        *stay("reschedule", ["set_aside"], DESK, "only date or owner change"),
    ),
)
