"""Text messages and e-mails: claimed, then given to the carrier at most once; what died half-way is a person's question."""

import logging
import secrets
from collections import Counter
from collections.abc import Sequence
from datetime import timedelta

from django.conf import settings
from django.core.mail import EmailMessage
from django.utils.translation import gettext_lazy as _

from outreach.carriers import CarrierRefused, text_carrier
from outreach.letters.texts import passages_of, phrases_of, text_of
from outreach.letters.words import plain
from outreach.models import Letter, Message
from outreach.services.stopping import stops_applied
from outreach.services.undelivered import came_back
from staff import clock
from staff.access import require_role
from staff.acting import acting
from staff.errors import RoundbookError
from staff.ledger.moves import make_move, make_moves
from staff.ledger.registry import ledger_of
from staff.models import User
from staff.roles import Pool, Role

log = logging.getLogger(__name__)
CLAIM = 200
IN_DOUBT_AFTER = timedelta(minutes=10)
OFFICE = (Role.PHONE_DESK, Role.COORDINATOR, Role.ADMINISTRATOR)


def messages_send(*, by: User, limit: int = CLAIM) -> Counter[str]:
    """Send the frozen messages, stops asked once more; each is claimed and committed before the carrier is asked.

    A worker that dies between claim and answer leaves a message `sending`: it is never sent again by itself.
    """
    done: Counter[str] = Counter()
    for message in _claimed(by=by, limit=limit):
        done[_given(by=by, message=message)] += 1
    return done


def _claimed(*, by: User, limit: int) -> Sequence[Message]:
    with acting(by) as frame:
        ready = Letter.objects.select_for_update(skip_locked=True, no_key=True, of=("self",)).filter(
            state="frozen", channel__in=["text", "email"]
        )
        ids = list(ready.order_by("due_on", "pk").values_list("pk", flat=True)[:limit])
        going, _stopped = stops_applied(by=by, letter_ids=ids, rule="hand_over")
        if not going:
            return []
        make_moves(
            ledger_of(Letter), "claim", source="SELECT unnest(%(ids)s::bigint[]) AS id", params={"ids": going},
            values={"due_on": "s.due_on", "pool": "'office'"},
        )  # fmt: skip
        return Message.objects.bulk_create(
            Message(
                letter=letter, channel=letter.channel, to=(letter.context or {})["address"][0],
                reference=f"M{letter.pk}-{secrets.token_hex(4)}", claimed_at=frame.now,
            )
            for letter in Letter.objects.filter(pk__in=going).order_by("pk")
        )  # fmt: skip


def message_words(letter: Letter) -> tuple[str, str]:
    """(subject, words) of a message; nothing of them speaks of health, so that a locked screen may show them.

    Words that no translator has looked at say so, as on paper.
    """
    chosen = text_of(letter.text_version)
    words = plain(chosen.variant, letter.context or {}, passages_of(chosen.text.shared)[chosen.language])
    draft = phrases_of(chosen.text.shared, chosen.language).get("draft")
    words = f"{words}\n{draft}" if draft else words
    subject, _line, _rest = words.partition("\n")
    return subject, words


def _given(*, by: User, message: Message) -> str:
    subject, words = message_words(message.letter)
    try:
        if message.channel == "text":
            text_carrier().send(to=message.to, words=words, reference=message.reference)
        else:
            headers = {"Message-ID": f"<{message.reference}@roundbook.invalid>"}
            EmailMessage(subject, words, settings.DEFAULT_FROM_EMAIL, [message.to], headers=headers).send()
    except CarrierRefused as refused:
        log.warning("The carrier refused %s: %s", message.reference, refused)
        _settled(by=by, message=message, sent=False)
        return "refused"
    _settled(by=by, message=message, sent=True)
    return "sent"


def _settled(*, by: User, message: Message, sent: bool) -> None:
    with acting(by) as frame:
        letter = Letter.objects.select_for_update(of=("self",)).get(pk=message.letter_id)
        if letter.state != "sending":
            return
        if sent:
            Message.objects.filter(pk=message.pk).update(sent_at=frame.now)
            make_move(letter, "sent", note=message.reference)
        else:
            Message.objects.filter(pk=message.pk).update(bounced_at=frame.now)
            came_back(letter, frame, reason="refused")


def messages_in_doubt() -> list[Message]:
    """Messages claimed some time ago of which nobody knows whether they went."""
    since = clock.now() - IN_DOUBT_AFTER
    return list(
        Message.objects.filter(sent_at=None, bounced_at=None, letter__state="sending", claimed_at__lte=since)
        .select_related("letter__person").order_by("claimed_at")
    )  # fmt: skip


def message_doubt_settle(*, by: User, message: Message, sent: bool, note: str) -> Letter:
    """What a person found out about a message in doubt: it went, or it did not and goes anew."""
    require_role(by, *OFFICE)
    if not note.strip():
        raise RoundbookError("note_missing", _("Write how you found out. Nothing was changed."))
    with acting(by, reason=note) as frame:
        letter = Letter.objects.select_for_update(of=("self",)).get(pk=message.letter_id)
        if letter.state != "sending":
            raise RoundbookError("not_in_doubt", _("This message is settled already."))
        if sent:
            Message.objects.filter(pk=message.pk).update(sent_at=frame.now)
            make_move(letter, "sent", note=note.strip())
        else:
            Message.objects.filter(pk=message.pk).delete()
            make_move(letter, "not_sent", due_on=frame.today, pool=Pool.OFFICE, note=note.strip())
    return letter


def message_bounced(*, by: User, reference: str) -> Letter:
    """The carrier tells later that a message did not arrive: another way is somebody's task; told twice it is one."""
    with acting(by, reason="bounced") as frame:
        message = Message.objects.select_for_update().filter(reference=reference.strip()).first()
        if message is None:
            raise RoundbookError(
                "reference_unknown", _("No message of ours has the reference “%(ref)s”.") % {"ref": reference}
            )
        letter = Letter.objects.select_for_update(of=("self",)).get(pk=message.letter_id)
        if letter.state in ("handed_over", "sending"):
            Message.objects.filter(pk=message.pk).update(bounced_at=frame.now)
            came_back(letter, frame, reason="bounced")
    return letter
