"""Claims a duty of a local day, so that it is done once however many workers are rung."""

from collections.abc import Callable
from datetime import date

from django.db import connection

from staff.acting import acting
from staff.models import Duty, User

CLAIM = (
    "INSERT INTO staff_duty (duty, local_day, done_at) VALUES (%s, %s, roundbook_now())"
    " ON CONFLICT (duty, local_day) DO NOTHING"
)


def duty_claim(name: str, day: date) -> bool:
    """Take a duty inside the transaction that does it; False when it is done. Call inside `acting(...)`."""
    with connection.cursor() as cursor:
        cursor.execute(CLAIM, [name, day])
        return bool(cursor.rowcount)


def duty_done(name: str, day: date) -> bool:
    """Whether the duty of that day is done."""
    return Duty.objects.filter(duty=name, local_day=day).exists()


def duty_do(*, by: User, name: str, day: date, work: Callable[[], object]) -> bool:
    """Do a duty unless it was done that day; True when this call did it. Killed half-way, it is done again."""
    if duty_done(name, day):
        return False
    with acting(by, reason=f"duty {name}"):
        if not duty_claim(name, day):
            return False
        work()
    return True
