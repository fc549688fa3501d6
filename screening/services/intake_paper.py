"""The papers of the desk: command cards, the slip of a paused session, tray slips and the practice sheet."""

from collections.abc import Iterable, Sequence

from django.utils.formats import date_format
from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from screening.barcodes import code128_data
from screening.models import IntakeSession, Return, Tray
from screening.services.intake_cards import CARDS, Card, Words, slip_card, tray_card
from screening.services.intake_practice import SITUATIONS, practice_serials
from screening.services.intake_sessions import session_summary
from staff.paper import pdf_made

GROUPS: tuple[tuple[str, Words], ...] = (
    ("command", gettext_lazy("Commands")),
    ("day", gettext_lazy("The day on the label")),
    ("aside", gettext_lazy("Set aside")),
    ("note", gettext_lazy("Notes beside the kit")),
    ("month", gettext_lazy("Days of the month")),
)
TRAYS_PRINTED = 24


def groups() -> list[tuple[Words, list[Card]]]:
    """The command cards by group, in the order of the page."""
    return [(title, [card for card in CARDS.values() if card.group == group]) for group, title in GROUPS]


def _cards(rows: Iterable[tuple[Words, str]]) -> SafeString:
    cards = format_html_join(
        "",
        '<div class="card"><b>{}</b><img src="{}" alt=""><span>{}</span></div>',
        ((words, code128_data(text), text) for words, text in rows),
    )
    return format_html('<div class="cards">{}</div>', cards)


def cards_pdf() -> bytes:
    """Every command card, and labels for trays, as one document to print and cut."""
    parts = [format_html("<h1>{}</h1>", _("Command cards"))]
    for title, cards in groups():
        parts.append(format_html("<h2>{}</h2>{}", title, _cards((card.label, card.code) for card in cards)))
    labels = [(_("Tray %(n)s") % {"n": n}, tray_card(f"T{n:02d}")) for n in range(1, TRAYS_PRINTED + 1)]
    parts.append(format_html("<h2>{}</h2>{}", _("Labels for trays"), _cards(labels)))
    return pdf_made("".join(parts))


def slip_pdf(session: IntakeSession) -> bytes:
    """The slip for the box of a session that was paused: scanning it goes on where it stopped."""
    counts, delivery = session_summary(session).counts, session.delivery
    trays = Tray.objects.filter(session=session, closed_at=None).order_by("kind")
    stopped = ", ".join(f"{tray.get_kind_display()} {tray.label} · {tray.filled}" for tray in trays)
    what = (
        f"{delivery.label or delivery.site} – {date_format(delivery.arrived_on)}"
        if delivery
        else _("practice")
    )
    body = format_html(
        "<h1>{}</h1><p>{}</p><p>{}: {}</p><p>{}</p>{}",
        _("Stopped half-way"), what, _("Stopped after"), stopped or "–",
        _("Accepted %(a)s, set aside %(s)s, not ours %(n)s.")
        % {"a": counts.accepted, "s": counts.set_aside, "n": counts.not_ours},
        _cards([(_("Scan this on the page “Log the post” to go on"), slip_card(session.pk))]),
    )  # fmt: skip
    return pdf_made(body)


def tray_pdf(tray: Tray) -> bytes:
    """What a tray holds, place by place: serials only, no names."""
    held: Sequence[Return] = list(
        Return.objects.filter(tray=tray).exclude(state="undone").select_related("kit").order_by("position")
    )
    rows = format_html_join(
        "",
        "<tr><td>{}</td><td>{}</td><td>{}</td></tr>",
        ((b.position, b.kit.serial, _collected(b)) for b in held),
    )
    delivery = tray.session.delivery
    body = format_html(
        "<h1>{} {}</h1><p>{}</p><table><thead><tr><th>{}</th><th>{}</th><th>{}</th></tr></thead><tbody>{}</tbody></table>",
        tray.get_kind_display(), tray.label,
        _("%(n)s kits; post of %(day)s") % {"n": len(held), "day": date_format(delivery.arrived_on) if delivery else "–"},
        _("Place"), _("Kit"), _("Collected"), rows,
    )  # fmt: skip
    return pdf_made(body)


def _collected(back: Return) -> str:
    """The day, or that nobody knows it."""
    if back.collected_earliest == back.collected_latest:
        return date_format(back.collected_earliest)
    return _("not known: %(day)s at the earliest") % {"day": date_format(back.collected_earliest)}


def practice_pdf() -> bytes:
    """A sheet of practice kits with serials of their own; what each one plays is printed beside it."""
    rows = [
        (SITUATIONS.get(number % 10, _("in order")), serial)
        for number, serial in enumerate(practice_serials(), start=1)
    ]
    head = format_html(
        "<h1>{}</h1><p>{}</p>", _("Practice kits"), _("Not real kits. They are understood in practice only.")
    )
    return pdf_made(head + _cards(rows))
