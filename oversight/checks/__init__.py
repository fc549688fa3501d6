"""The register of checks: one file a group; a new check is one declaration in its group's file."""

from oversight.checks import (
    access,
    balance,
    bench,
    examinations,
    follow_up,
    ledgers,
    letters,
    people,
    post,
    programme,
    results,
)
from oversight.checks.base import Check, Severity, check_query, days_for, narrowed

__all__ = ["CHECKS", "Check", "Severity", "check_query", "days_for", "narrowed"]

GROUPS = (follow_up, examinations, letters, results, bench, post, people, programme, access, balance, ledgers)
CHECKS: dict[str, Check] = {
    check.name: check
    for severity in Severity
    for group in GROUPS
    for check in group.CHECKS
    if check.severity is severity
}
"""Every check by name, in the order they run: what must be looked at at once comes first."""
