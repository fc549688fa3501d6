"""Log the post: deliveries and their sessions, opened, resumed by slip, counted, settled; practice."""

from datetime import timedelta
from typing import Any, cast

from django import forms
from django.contrib import messages
from django.db.models import Count, Min
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext_lazy as _
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from screening.models import Delivery, IntakeSession, SessionMode, Tray
from screening.services import intake
from screening.services.intake_cards import Heard, understand
from screening.services.intake_left import kits_left
from screening.services.intake_sessions import delivery_scanned
from screening.services.policies import policy_on
from screening.views.post_bench import difference_words
from staff import clock
from staff.errors import RoundbookError
from staff.models import Site, User
from staff.roles import Role

SHOWN_DAYS = 10
OPEN_HOURS = 4
STOPPED_HOURS = 2


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
    mode = forms.ChoiceField(
        label=_("How they came"), required=False,
        choices=[
            (SessionMode.POST.value, _("by post or courier")),
            (SessionMode.HAND_IN.value, _("handed in: the person stands here")),
        ],
    )  # fmt: skip
    partner = forms.ModelChoiceField(
        User.objects.none(),
        label=_("Who opens the envelopes with you"),
        required=False,
        empty_label=_("I work alone"),
    )

    def __init__(self, *args: Any, by: User, one_desk: bool = False, **kwargs: Any) -> None:
        """The other people of the desks may be partners; a one-desk clinic is asked little (R15)."""
        super().__init__(*args, **kwargs)
        desks = User.objects.colleagues(Role.FRONT_DESK, Role.PHONE_DESK, Role.LABORATORY)
        cast(Any, self.fields["partner"]).queryset = desks.exclude(pk=by.pk)
        if one_desk:
            for name in ("label", "partner", "mode"):
                del self.fields[name]


class FirstScanForm(forms.Form):
    """A one-desk clinic opens its delivery with the first scan and one question."""

    raw = forms.CharField(label=_("Scan the first kit"), max_length=200)
    today = forms.BooleanField(label=_("It arrived today"), required=False, initial=True)


def _user(request: HttpRequest) -> User:
    return cast(User, request.user)


@require_http_methods(["GET", "POST"])
def post(request: HttpRequest) -> HttpResponse:
    """Choose what is being opened: a new delivery, or one whose sessions were left half-way."""
    one_desk = policy_on(clock.today()).one_desk
    form = DeliveryForm(
        request.POST or None, by=_user(request), one_desk=one_desk,
        initial={"arrived_on": clock.today(), "site": _last_site(_user(request))},
    )  # fmt: skip
    if request.method == "POST" and form.is_valid():
        try:
            session = _opened(_user(request), form.cleaned_data)
        except RoundbookError as error:
            form.add_error(None, str(error.sentence))
        else:
            return redirect("screening:post-bench", session.pk)
    context = {
        "form": form, "deliveries": _deliveries(), "days": SHOWN_DAYS, "stopped": _stopped(), "one_desk": one_desk,
        "first": FirstScanForm() if one_desk else None,
    }  # fmt: skip
    return render(request, "screening/post.html", context, status=422 if form.errors else 200)


def _opened(by: User, given: dict[str, Any]) -> IntakeSession:
    mode, partner = given.pop("mode", "") or SessionMode.POST.value, given.pop("partner", None)
    delivery = intake.delivery_record(by=by, **given)
    return intake.session_start(by=by, delivery=delivery, mode=mode, partner=partner)


def _last_site(user: User) -> int | None:
    """Where this person recorded a delivery last."""
    latest = Delivery.objects.filter(recorded_by=user).order_by("-pk").first()
    return latest.site_id if latest else None


def _stopped() -> list[dict[str, object]]:
    """Sessions that are open, the one left longest first."""
    now = clock.now()
    sessions = IntakeSession.objects.filter(closed_at=None, delivery__isnull=False)
    rows: list[dict[str, object]] = []
    for one in sessions.select_related("delivery__site", "operator", "partner").order_by("started_at")[:50]:
        tray = Tray.objects.filter(session=one, kind="rack", closed_at=None).first()
        since = one.paused_at or one.started_at
        rows.append({
            "session": one, "tray": tray, "scanned": one.accepted + one.set_aside + one.not_ours, "since": since,
            "late": now - since > timedelta(hours=STOPPED_HOURS),
        })  # fmt: skip
    return rows


def _deliveries() -> list[dict[str, object]]:
    """The newest first; before them those that wait too long for a scan, and those whose counts differ."""
    since, now = clock.today() - timedelta(days=SHOWN_DAYS), clock.now()
    recent = (
        Delivery.objects.filter(arrived_on__gte=since)
        .select_related("site")
        .annotate(worked=Count("sessions"), opened_at=Min("sessions__started_at"))
        .order_by("-arrived_on", "-pk")
    )[:50]
    rows: list[dict[str, object]] = []
    for one in recent:
        scanned = delivery_scanned(one.pk)
        unopened = not cast(Any, one).worked and not scanned
        late = unopened and now - one.arrived_at > timedelta(hours=OPEN_HOURS)
        differs = one.hand_count is not None and scanned != one.hand_count and one.settled_at is None
        rows.append(
            {"delivery": one, "unopened": unopened, "late": late, "scanned": scanned, "differs": differs}
        )
    return sorted(rows, key=lambda row: not (row["late"] or row["differs"]))


@require_POST
def session(request: HttpRequest) -> HttpResponse:
    """Start another session for a delivery, go on with one that was left, by button or slip, or practise."""
    by, given = _user(request), request.POST
    slip = understand(given.get("slip", ""))
    number = slip.value if slip.kind is Heard.SLIP else given.get("session", "")
    try:
        if number.isdigit():
            found = intake.session_resume(by=by, session=get_object_or_404(IntakeSession, pk=int(number)))
        elif given.get("practice"):
            found = intake.session_start(by=by, delivery=None, mode=SessionMode.PRACTICE)
        elif "slip" in given:
            messages.error(request, _("This is not the slip of a session. Choose the session from the list."))
            return redirect("screening:post")
        else:
            number = given.get("delivery", "")
            delivery = get_object_or_404(Delivery, pk=int(number) if number.isdigit() else 0)
            found = intake.session_start(by=by, delivery=delivery)
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
        return redirect("screening:post")
    return redirect("screening:post-bench", found.pk)


@require_POST
def first_scan(request: HttpRequest) -> HttpResponse:
    """A one-desk clinic's first scan opens its delivery; the one question is whether it arrived today (R15)."""
    form, by = FirstScanForm(request.POST), _user(request)
    site_id = _last_site(by) or Site.objects.filter(receives_kits=True).values_list("pk", flat=True).first()
    if not form.is_valid() or site_id is None:
        messages.error(request, _("Scan the first kit of the post."))
        return redirect("screening:post")
    if not form.cleaned_data["today"]:
        messages.info(request, _("Say on which day it arrived, then scan."))
        return redirect("screening:post")
    delivery = intake.delivery_record(by=by, site=Site(pk=site_id), arrived_on=clock.today())
    found = intake.session_start(by=by, delivery=delivery)
    intake.bench_scan(by=by, session=found, sequence=1, raw=form.cleaned_data["raw"])
    return redirect("screening:post-bench", found.pk)


class CountForm(forms.Form):
    """Another count by hand."""

    hand_count = forms.IntegerField(label=_("Envelopes counted by hand"), min_value=0, max_value=100_000)


class SettleForm(forms.Form):
    """The end of a delivery whose count differs."""

    reason = forms.CharField(label=_("Why the count differs"), max_length=200, required=False)


@require_http_methods(["GET", "POST"])
def delivery(request: HttpRequest, delivery_id: int) -> HttpResponse:
    """One delivery against its count by hand: where to look, and the end by a second person."""
    found = get_object_or_404(Delivery.objects.select_related("site", "settled_by"), pk=delivery_id)
    counts = request.POST.get("do") == "count"
    count = CountForm(request.POST if counts else None, initial={"hand_count": found.hand_count})
    settle = SettleForm(None if counts else request.POST or None)
    form: forms.Form = count if counts else settle
    if request.method == "POST" and form.is_valid():
        try:
            _counted_or_settled(_user(request), found, form.cleaned_data)
        except RoundbookError as error:
            form.add_error(None, str(error.sentence))
        else:
            messages.success(
                request, _("The count is corrected.") if counts else _("The delivery is settled.")
            )
            return redirect("screening:post-delivery", found.pk) if counts else redirect("screening:post")
        found.refresh_from_db()
    scanned = delivery_scanned(found.pk)
    difference = None if found.hand_count is None else scanned - found.hand_count
    context = {
        "delivery": found, "form": settle, "count": count, "scanned": scanned, "difference": difference,
        "words": difference_words(difference, found.hand_count or 0) if difference is not None else "",
        "gaps": intake.difference_helper(found),
        "left": kits_left(found),
        "sessions": found.sessions.select_related("operator", "partner").order_by("pk"),
    }  # fmt: skip
    return render(request, "screening/delivery.html", context, status=422 if form.errors else 200)


def _counted_or_settled(by: User, found: Delivery, given: dict[str, Any]) -> None:
    if "hand_count" in given:
        intake.hand_count_correct(by=by, delivery=found, hand_count=given["hand_count"])
    else:
        intake.delivery_settle(by=by, delivery=found, reason=given["reason"])


@require_GET
def practice(request: HttpRequest) -> HttpResponse:
    """Practice explained: own kits, another frame, nothing logged."""
    return render(request, "screening/post_practice.html")
