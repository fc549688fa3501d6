"""The named cast of the tests: the invented staff of the demo region, by what they do."""

from staff.models import User

FRONT_DESK = "brisa"
PHONE_DESK = "junia"
LABORATORY = "teshka"
LAB_LEAD = "ymara"
COORDINATOR = "kaddrin"
NURSE = "liora"
CLINICIAN = "emrik"
MANAGER = "sefrin"
ADMINISTRATOR = "ansel"
AUDITOR = "wrenna"

BY_ROLE = {
    "front_desk": FRONT_DESK, "phone_desk": PHONE_DESK, "laboratory": LABORATORY, "coordinator": COORDINATOR,
    "clinician": CLINICIAN, "manager": MANAGER, "administrator": ADMINISTRATOR, "auditor": AUDITOR,
}  # fmt: skip


def member(username: str) -> User:
    """The cast member with this sign-in name."""
    return User.objects.get(username=username)
