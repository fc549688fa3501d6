"""What may follow what for letters. Pure: no model, no clock, no settings."""

from django.utils.translation import gettext_lazy as _

from staff.ledger.machine import Kind, Machine, Step, stay, steps
from staff.roles import Role

OFFICE = frozenset({Role.PHONE_DESK, Role.COORDINATOR, Role.ADMINISTRATOR, Role.MANAGER})

LETTER = Machine(
    name="letter",
    states={
        "owed": Kind.OPEN,
        "held": Kind.OPEN,
        "frozen": Kind.OPEN,
        "printed": Kind.OPEN,
        "sending": Kind.OPEN,
        "handed_over": Kind.RESTING,
        "undelivered": Kind.OPEN,
        "settled": Kind.RESTING,
        "cancelled": Kind.CLOSED,
        "superseded": Kind.CLOSED,
    },
    labels={
        "owed": _("owed"),
        "held": _("held"),
        "frozen": _("ready to print"),
        "printed": _("printed, not yet handed over"),
        "sending": _("given to the carrier, not yet confirmed"),
        "handed_over": _("handed over to the post"),
        "undelivered": _("came back undelivered"),
        "settled": _("undelivered, settled"),
        "cancelled": _("cancelled"),
        "superseded": _("superseded"),
    },
    steps=(
        Step("owe", "", "owed", OFFICE, "its trigger happened and nothing stops it"),
        *steps("hold", ["owed", "frozen", "printed"], "held", OFFICE, "a person must look first"),
        Step("release", "held", "owed", OFFICE, "looked at"),
        Step("freeze", "owed", "frozen", OFFICE, "texts and context fixed with a checksum; stops checked"),
        Step("print", "frozen", "printed", OFFICE, "in exactly one print run; stops checked"),
        Step("hand_over", "printed", "handed_over", OFFICE, "stops checked; at most once"),
        Step(
            "claim", "frozen", "sending", OFFICE, "a message: claimed before it is given to the carrier, once"
        ),
        Step("sent", "sending", "handed_over", OFFICE, "the carrier took it, or a person saw that it did"),
        Step(
            "not_sent",
            "sending",
            "owed",
            OFFICE,
            "the carrier refused it, or a person saw that it did not go",
        ),
        *steps(
            "undelivered",
            ["handed_over", "sending"],
            "undelivered",
            OFFICE,
            "the post or the carrier brought it back",
        ),
        Step("settle", "undelivered", "settled", OFFICE, "reached another way"),
        *steps(
            "cancel",
            ["owed", "held", "frozen", "printed"],
            "cancelled",
            OFFICE,
            "a stop applies or its reason is gone",
        ),
        *steps(
            "supersede",
            ["owed", "held", "frozen", "printed"],
            "superseded",
            OFFICE,
            "a newer version replaces it",
        ),
        *stay(
            "reschedule",
            ["owed", "held", "frozen", "printed", "sending", "undelivered"],
            OFFICE,
            "only date or owner change",
        ),
    ),
)
