"""The lists of “Nobody falls through”: each one declaration; a new one goes into its group's file."""

from oversight.net import follow_up, letters, people, post
from oversight.net.base import NetList, net_query

__all__ = ["LISTS", "NetList", "net_query"]

LISTS: dict[str, NetList] = {
    one.name: one
    for one in sorted(
        (one for group in (follow_up, letters, people, post) for one in group.LISTS),
        key=lambda one: one.number,
    )
}
"""Every list by name, in the order of the page."""
