"""Which tests run in the same process: those marked to stay together, because they share what is dear to lay down."""

import re
from functools import cache
from pathlib import Path
from typing import Any

from xdist.scheduler import LoadScopeScheduling

ROOT = Path(__file__).resolve().parent.parent
MARK = re.compile(r'xdist_group\("(\w+)"\)')


@cache
def group_of(path: str) -> str:
    """The group that a file of tests names, if it names one; the whole file belongs to it."""
    found = MARK.search((ROOT / path).read_text(encoding="utf-8"))
    return found[1] if found else ""


class Together(LoadScopeScheduling):
    """Groups first, then test by test in the order in which they were collected.

    The scheduler of `--dist loadgroup` looks for the group in the tests' names, into which pytest no longer lets it write.
    """

    def _split_scope(self, nodeid: str) -> str:
        return group_of(nodeid.partition("::")[0]) or nodeid

    def mark_test_complete(self, node: Any, item_index: int, duration: float = 0) -> None:
        """Forget what is done: all that a process was ever given is counted through after each test."""
        super().mark_test_complete(node, item_index, duration)
        given = self.assigned_work[node]
        scope = self._split_scope(self.registered_collections[node][item_index])
        if scope in given and all(given[scope].values()):
            del given[scope]
