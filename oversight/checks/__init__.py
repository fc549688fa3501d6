"""The register of checks: one file a group; a new check is one declaration in its group's file."""

from oversight.checks import follow_up, ledgers, letters, people, post
from oversight.checks.base import Check, Severity, check_query, days_for

__all__ = ["CHECKS", "Check", "Severity", "check_query", "days_for"]

CHECKS: dict[str, Check] = {
    check.name: check for group in (follow_up, letters, post, people, ledgers) for check in group.CHECKS
}
"""Every check by name, in the order of the page."""
