"""Tables of outreach; import from here, never from a submodule."""

from outreach.models.letters import (
    Form,
    Letter,
    LetterDate,
    LetterMove,
    LetterTodo,
    OutreachPolicy,
    PlannedDay,
    PrintDocument,
    PrintedLetter,
    PrintRun,
)
from outreach.models.notices import Notice, NoticeAttempt, NoticeRoute, NoticeTodo
from outreach.models.sending import ContractorFile, Message, Reprint
from outreach.models.wishes import AreaDesk, LetterText, Wish

__all__ = [
    "AreaDesk",
    "ContractorFile",
    "Form",
    "Letter",
    "LetterDate",
    "LetterMove",
    "LetterText",
    "LetterTodo",
    "Message",
    "Notice",
    "NoticeAttempt",
    "NoticeRoute",
    "NoticeTodo",
    "OutreachPolicy",
    "PlannedDay",
    "PrintDocument",
    "PrintRun",
    "PrintedLetter",
    "Reprint",
    "Wish",
]
