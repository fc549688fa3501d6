"""Log the post: deliveries and sessions, the bench where kits are scanned, and the command cards."""

from datetime import timedelta
from typing import cast

from django import forms
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext_lazy as _
from django.utils.translation import ngettext
from django.views.decorators.cache import cache_control
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from screening.models import Delivery, IntakeSession
from screening.services import intake
from screening.services.intake_answers import BenchOutcome, ScanAnswer
from screening.services.intake_cards import CARDS
from screening.views.post_face import face_of
from staff import clock
from staff.errors import RoundbookError
from staff.models import Site, User

SHOWN_DAYS = 10


class DeliveryForm(forms.Form):
    """A sack or box as it reached the building."""

    site = forms.ModelChoiceField(
        Site.objects.filter(receives_kits=True), label=_("Where it arrived"), empty_label=None
    )
    arrived_on = forms.DateField(
        label=_("Arrived on"), help_text=_("The day it reached the building, not the day it is opened."),
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
    )  # fmt: skip
    label = forms.CharField(
        label=_("What it is"),
        max_length=60,
        required=False,
        help_text=_("For example: morning sack, courier box 2."),
    )
    hand_count = forms.IntegerField(
        label=_("Envelopes counted by hand"), min_value=0, max_value=100_000, required=False
    )


def _user(request: HttpRequest) -> User:
    return cast(User, request.user)


@require_http_methods(["GET", "POST"])
def post(request: HttpRequest) -> HttpResponse:
    """Choose what is being opened: a new delivery, or one whose sessions were left half-way."""
    form = DeliveryForm(
        request.POST or None, initial={"arrived_on": clock.today(), "site": _last_site(_user(request))}
    )
    if request.method == "POST" and form.is_valid():
        try:
            delivery = intake.delivery_record(by=_user(request), **form.cleaned_data)
            session = intake.session_start(by=_user(request), delivery=delivery)
        except RoundbookError as error:
            form.add_error(None, str(error.sentence))
        else:
            return redirect("screening:post-bench", session.pk)
    context = {"form": form, "deliveries": _deliveries(), "days": SHOWN_DAYS}
    return render(request, "screening/post.html", context, status=422 if form.errors else 200)


def _last_site(user: User) -> int | None:
    """Where this person recorded a delivery last."""
    latest = Delivery.objects.filter(recorded_by=user).order_by("-pk").first()
    return latest.site_id if latest else None


def _deliveries() -> list[dict[str, object]]:
    since = clock.today() - timedelta(days=SHOWN_DAYS)
    recent = Delivery.objects.filter(arrived_on__gte=since).select_related("site")[:50]
    sessions: dict[int, list[IntakeSession]] = {}
    for one in IntakeSession.objects.filter(
        delivery__in=[d.pk for d in recent], closed_at=None
    ).select_related("operator"):
        sessions.setdefault(one.delivery_id, []).append(one)
    return [{"delivery": one, "open": sessions.get(one.pk, [])} for one in recent]


@require_POST
def session(request: HttpRequest) -> HttpResponse:
    """Start another session for a delivery, or go on with one that was left."""
    number = request.POST.get("session", "")
    if number.isdigit():
        found = intake.session_resume(
            by=_user(request), session=get_object_or_404(IntakeSession, pk=int(number))
        )
        return redirect("screening:post-bench", found.pk)
    number = request.POST.get("delivery", "")
    delivery = get_object_or_404(Delivery, pk=int(number) if number.isdigit() else 0)
    return redirect("screening:post-bench", intake.session_start(by=_user(request), delivery=delivery).pk)


@require_GET
def bench(request: HttpRequest, session_id: int) -> HttpResponse:
    """The bench as the session stands; opening it again after a crash goes on where it stopped."""
    found = get_object_or_404(
        IntakeSession.objects.select_related("delivery__site", "operator"), pk=session_id
    )
    if found.closed_at is not None:
        messages.info(request, BENCH_CLOSED)
        return redirect("screening:post")
    return _bench(request, found, intake.session_bench(session=found))


BENCH_CLOSED = _("That session is closed. Start another for the delivery.")


def _bench(request: HttpRequest, found: IntakeSession, answer: ScanAnswer) -> HttpResponse:
    context = {"session": found, "face": face_of(answer), "strip": STRIP}
    return render(request, "screening/post_bench.html", context)


STRIP = [
    CARDS[code]
    for code in (
        "RB-UNDO", "RB-SAMEDAY", "RB-NODATE", "RB-OTHERMONTH", "RB-IMPOSSIBLE", "RB-FUTURE", "RB-SETASIDE-NONAME",
        "RB-SETASIDE-OTHERNAME", "RB-SETASIDE-UNREADABLE", "RB-SETASIDE-LEAKING", "RB-SETASIDE-OVERFULL",
        "RB-SETASIDE-EMPTY", "RB-SETASIDE-DAMAGED", "RB-SETASIDE-TWOVIALS", "RB-NOTE-ENCLOSED", "RB-NOTE-BLOOD",
    )
]  # fmt: skip


@require_POST
def scan(request: HttpRequest, session_id: int) -> HttpResponse:
    """Take one scan; a fragment for the page's script, the whole page without it.

    A scan that was stored before is answered again, so a retry after a lost answer counts nothing twice.
    """
    said = request.POST.get("card") or request.POST.get("raw", "")
    number = request.POST.get("sequence", "")
    try:
        answer = intake.bench_scan(
            by=_user(request), session=IntakeSession(pk=session_id),
            sequence=int(number) if number.isdigit() and len(number) < 9 else 0, raw=said[:200],
            pending=request.POST.get("pending", "")[:20], typed=request.POST.get("typed") == "yes",
        )  # fmt: skip
    except RoundbookError as error:
        if error.status == 404:
            raise
        answer = ScanAnswer(BenchOutcome.REFUSED, error.code, str(error.sentence), 0)
    if getattr(request, "htmx", False):
        return render(request, "screening/_post_face.html", {"face": face_of(answer)})
    found = get_object_or_404(
        IntakeSession.objects.select_related("delivery__site", "operator"), pk=session_id
    )
    return _bench(request, found, answer)


class CloseForm(forms.Form):
    """The end of a session."""

    hand_count = forms.IntegerField(min_value=0, max_value=100_000, required=False)


@require_POST
def close(request: HttpRequest, session_id: int) -> HttpResponse:
    """Close a session and say how it compares with the count by hand."""
    found = get_object_or_404(IntakeSession, pk=session_id)
    form = CloseForm(request.POST)
    if not form.is_valid():
        messages.error(request, _("Count the envelopes: a whole number, 0 or more."))
        return redirect("screening:post-bench", session_id)
    try:
        summary = intake.session_close(
            by=_user(request), session=found, hand_count=form.cleaned_data["hand_count"]
        )
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
        return redirect("screening:post-bench", session_id)
    _say_summary(request, summary)
    return redirect("screening:post")


def _say_summary(request: HttpRequest, summary: intake.SessionSummary) -> None:
    counts = summary.counts
    messages.success(
        request,
        _("Session closed: %(accepted)s accepted, %(aside)s set aside, %(foreign)s not ours.")
        % {"accepted": counts.accepted, "aside": counts.set_aside, "foreign": counts.not_ours},
    )
    if summary.difference is None:
        return
    if summary.difference == 0:
        messages.success(
            request, _("The delivery agrees with the count by hand: %(n)s.") % {"n": summary.hand_count}
        )
    elif summary.difference < 0:
        n = -summary.difference
        messages.warning(
            request,
            ngettext(
                "%(n)s envelope fewer was scanned than counted. Look in the sack and under the trays.",
                "%(n)s envelopes fewer were scanned than counted. Look in the sack and under the trays.",
                n,
            )
            % {"n": n},
        )
    else:
        n = summary.difference
        messages.warning(
            request,
            ngettext(
                "%(n)s envelope more was scanned than counted. Count again, or correct the count.",
                "%(n)s envelopes more were scanned than counted. Count again, or correct the count.",
                n,
            )
            % {"n": n},
        )


GROUPS = (
    ("command", _("Commands")),
    ("day", _("The day on the label")),
    ("aside", _("Set aside")),
    ("note", _("Notes beside the kit")),
    ("month", _("Days of the month")),
)


@require_GET
def cards(request: HttpRequest) -> HttpResponse:
    """The command cards, to print and tape to the desk."""
    groups = [(title, [card for card in CARDS.values() if card.group == group]) for group, title in GROUPS]
    return render(request, "screening/post_cards.html", {"groups": groups})


@require_GET
@cache_control(private=True, max_age=86_400)
def card(request: HttpRequest, code: str) -> HttpResponse:
    """One command card's barcode (Code 128) as SVG."""
    if code not in CARDS:
        raise Http404
    import zxingcpp

    made = zxingcpp.create_barcode(code, zxingcpp.BarcodeFormat.Code128)
    return HttpResponse(_scalable(zxingcpp.write_barcode_to_svg(made)), content_type="image/svg+xml")


def _scalable(svg: str) -> str:
    """The same drawing with a view box, so that it grows with its place, and without the maker's note."""
    head, _sep, rest = svg[svg.index("<svg") :].partition(">")
    width, height = (head.split(f'{name}="')[1].split('"')[0] for name in ("width", "height"))
    body = rest.split("<desc>")[0] + rest.split("</desc>")[-1]
    return f'{head} viewBox="0 0 {width} {height}" shape-rendering="crispEdges">{body}'
