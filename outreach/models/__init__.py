"""Tables of outreach; import from here, never from a submodule."""

from outreach.models.letters import (
    Letter,
    LetterMove,
    LetterTodo,
    OutreachPolicy,
    PrintDocument,
    PrintedLetter,
    PrintRun,
)

__all__ = [
    "Letter",
    "LetterMove",
    "LetterTodo",
    "OutreachPolicy",
    "PrintDocument",
    "PrintRun",
    "PrintedLetter",
]
