"""The bench: the page as its session stands, each scan, a fresh token after a lost network, and the end."""

from typing import Any, cast

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.middleware.csrf import get_token
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext_lazy as _
from django.utils.translation import ngettext
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_POST

from screening.collection import CollectionError, infer_day
from screening.models import IntakeSession
from screening.services import intake
from screening.services.intake_answers import BenchOutcome, ScanAnswer
from screening.services.intake_cards import CARDS
from screening.services.intake_desk import Pass
from screening.services.intake_sessions import session_day
from screening.services.policies import policy_on
from screening.views.post_face import face_as_json, face_of
from staff import clock
from staff.errors import RoundbookError
from staff.models import User

BENCH_CLOSED = _("That session is closed. Start another for the delivery.")
KEYS = {
    "RB-UNDO": "F2", "RB-SAMEDAY": "+", "RB-NODATE": ".", "RB-NAMEFITS": "=", "RB-NEWTRAY": "F8", "RB-PAUSE": "F9",
}  # fmt: skip
STRIP = [
    (CARDS[code], KEYS.get(code, ""))
    for code in (
        "RB-UNDO", "RB-SAMEDAY", "RB-NODATE", "RB-OTHERMONTH", "RB-IMPOSSIBLE", "RB-FUTURE", "RB-SETASIDE-NONAME",
        "RB-SETASIDE-OTHERNAME", "RB-SETASIDE-UNREADABLE", "RB-SETASIDE-LEAKING", "RB-SETASIDE-OVERFULL",
        "RB-SETASIDE-EMPTY", "RB-SETASIDE-DAMAGED", "RB-SETASIDE-TWOVIALS", "RB-NOTE-ENCLOSED", "RB-NOTE-BLOOD",
        "RB-NAMEFITS", "RB-NEWTRAY", "RB-PAUSE",
    )
]  # fmt: skip
"""What the page offers beside the cards, with the key that does the same."""


def _user(request: HttpRequest) -> User:
    return cast(User, request.user)


def _found(session_id: int) -> IntakeSession:
    sessions = IntakeSession.objects.select_related("delivery__site", "operator", "partner")
    return get_object_or_404(sessions, pk=session_id)


@require_GET
@never_cache
def bench(request: HttpRequest, session_id: int) -> HttpResponse:
    """The bench as the session stands; opening it again after a crash goes on where it stopped."""
    found = _found(session_id)
    if found.closed_at is not None:
        messages.info(request, BENCH_CLOSED)
        return redirect("screening:post")
    return _bench(request, found, intake.session_bench(session=found))


def _bench(request: HttpRequest, found: IntakeSession, answer: ScanAnswer) -> HttpResponse:
    arrived = found.delivery.arrived_on if found.delivery else clock.today()
    context = {
        "session": found, "face": face_of(answer), "strip": STRIP, "days": _day_words(arrived),
        "last_day": session_day(found), "limit": policy_on(clock.today()).scans_waiting,
        "marks": [code for code, card in CARDS.items() if card.kind == "mark"],
        "day_cards": [(code, card.value) for code, card in CARDS.items() if card.kind == "day"],
    }  # fmt: skip
    return render(request, "screening/post_bench.html", context)


def _day_words(arrived: Any) -> list[tuple[int, Any]]:
    """What each day of the month means for this delivery, in words, to be read before it counts (R3)."""
    rows = []
    for day in range(1, 32):
        try:
            found = infer_day(str(day), arrived, arrived.replace(year=arrived.year - 1, day=1))
        except CollectionError:
            continue
        rows.append((day, found.words))
    return rows


@require_POST
def scan(request: HttpRequest, session_id: int) -> HttpResponse:
    """Take one scan: JSON for the page's script, the whole page without it.

    A scan that was stored before is answered again, so a retry after a lost answer counts nothing twice.
    """
    if "application/json" in request.headers.get("Accept", ""):
        return scan_as_json(by=_user(request), session_id=session_id, posted=request.POST)
    answer = _taken(_user(request), session_id, request.POST)
    if getattr(request, "htmx", False):
        return render(request, "screening/_post_face.html", {"face": face_of(answer)})
    return _bench(request, _found(session_id), answer)


def scan_as_json(*, by: User, session_id: int, posted: Any, pass_: Pass | None = None) -> JsonResponse:
    """Take one scan for the page's script."""
    return JsonResponse(face_as_json(_taken(by, session_id, posted, pass_)))


def _taken(by: User, session_id: int, posted: Any, pass_: Pass | None = None) -> ScanAnswer:
    try:
        return intake.bench_scan(by=by, session=session_id, pass_=pass_, **_said(posted))
    except RoundbookError as error:
        if error.status == 404:
            raise
        return ScanAnswer(BenchOutcome.REFUSED, error.code, str(error.sentence), 0, stored=False)


def _said(posted: Any) -> dict[str, Any]:
    """What the page sent, as the service takes it; a damaged number becomes one that is never stored twice."""
    number, claimed = posted.get("sequence", ""), posted.get("claimed", "")
    offline = posted.get("offline") == "yes"
    return {
        "sequence": int(number) if number.isdigit() and len(number) < 9 else 0,
        "raw": (posted.get("card") or posted.get("raw", ""))[:200], "pending": posted.get("pending", "")[:20],
        "typed": posted.get("typed") == "yes", "window": posted.get("window", "")[:12], "offline": offline,
        "day": posted.get("day", "")[:24], "cards": posted.get("cards", "").split()[:20],
        "claimed": int(claimed) if offline and claimed.isdigit() and len(claimed) < 12 else None,
    }  # fmt: skip


@require_GET
@never_cache
def state(request: HttpRequest, session_id: int) -> HttpResponse:
    """How the session stands, with a fresh token, for a page that was cut off."""
    found = _found(session_id)
    answer = intake.session_bench(session=found)
    return JsonResponse(
        {"token": get_token(request), "closed": found.closed_at is not None, "face": face_as_json(answer)}
    )


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
    if found.delivery_id and summary.difference:
        return redirect("screening:post-delivery", found.delivery_id)
    return redirect("screening:post")


def _say_summary(request: HttpRequest, summary: intake.SessionSummary) -> None:
    counts = summary.counts
    messages.success(
        request,
        _("Session closed: %(accepted)s accepted, %(aside)s set aside, %(foreign)s not ours.")
        % {"accepted": counts.accepted, "aside": counts.set_aside, "foreign": counts.not_ours},
    )
    if summary.difference is not None:
        say = messages.success if summary.difference == 0 else messages.warning
        say(request, difference_words(summary.difference, summary.hand_count or 0))


def difference_words(difference: int, hand_count: int) -> str:
    """How the scans and the count by hand differ, and what to do."""
    if difference == 0:
        return _("The delivery agrees with the count by hand: %(n)s.") % {"n": hand_count}
    n = abs(difference)
    if difference < 0:
        words = ngettext(
            "%(n)s envelope fewer was scanned than counted. Look in the sack and under the trays.",
            "%(n)s envelopes fewer were scanned than counted. Look in the sack and under the trays.",
            n,
        )
    else:
        words = ngettext(
            "%(n)s envelope more was scanned than counted. Count again, or correct the count.",
            "%(n)s envelopes more were scanned than counted. Count again, or correct the count.",
            n,
        )
    return words % {"n": n}
