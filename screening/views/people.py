"""The page about one person, the search that leads there, and what a person asks for."""

from dataclasses import dataclass
from datetime import date
from typing import Any, cast

from django.contrib import messages
from django.db.models import Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import NoReverseMatch, reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from screening.access import people_search, person_open, person_open_with_reason, reason_owed
from screening.eligibility import Eligibility, age_on
from screening.forms.corrections import CorrectionForm, DeathForm, LivesForm
from screening.forms.people import ExclusionForm, LookForm, NoteForm, PostponeForm, StopForm
from screening.models import (
    DeathQuestion,
    Exclusion,
    Kit,
    Person,
    PersonMerge,
    PossibleDuplicate,
    Round,
    Stop,
)
from screening.querysets import members_of, number_of, rounds_of
from screening.register_table import field_label
from screening.services.batches import kit_reported_lost
from screening.services.corrections import fact_sources
from screening.services.due import person_eligibility
from screening.services.duplicates import look_alikes
from screening.services.exclusions import MAY_CONFIRM, RECORDABLE, exclusions_of
from screening.services.people import note_write, postponement_record, stop_end, stop_of, stop_record
from screening.services.replacing import kit_replace_now
from screening.states import KIT, ROUND, ROUND_CLOSE_REASONS
from screening.story import person_story
from screening.wish_words import stop_warning, taken_back, wait_warning
from staff import clock
from staff.access import user_holds
from staff.errors import RoundbookError
from staff.models import Purpose, User
from staff.roles import Role
from staff.routes import route_table

MAY_RECORD = (Role.PHONE_DESK, Role.COORDINATOR)
PANELS = (
    ("results:person-panel", gettext_lazy("Results and referral")),
    ("outreach:person-panel", gettext_lazy("Letters")),
)


@dataclass(frozen=True)
class Caution:
    """A word on the person strip that must not be missed."""

    tone: str
    word: str


def actor(request: HttpRequest) -> User:
    """The signed-in member of staff; the route table let nobody else in."""
    return cast(User, request.user)


@require_http_methods(["GET", "POST"])
def search(request: HttpRequest) -> HttpResponse:
    """Whom a text means; one person found by serial or number opens at once.

    What was typed comes by POST only, so that no name or number stands in an address or a log.
    """
    text = request.POST.get("q", "")[:120]
    answer = people_search(by=actor(request), text=text)
    if len(answer.found) == 1 and not any(c.isalpha() for c in text.replace("TK", "").replace("tk", "")[:-1]):
        return redirect("screening:person", pk=answer.found[0].person.pk)
    today = clock.today()
    rows = [(f, age_on(f.person.birth_date, today) if f.person.birth_date else None) for f in answer.found]
    context = {"answer": answer, "rows": rows, "search_text": text, "today_words": today}
    return render(request, "screening/search.html", context)


@require_GET
def person(request: HttpRequest, pk: int) -> HttpResponse:
    """Who this is, where she stands, why she is or is not due, and her story; outside one's lists only with a reason."""
    if reason_owed(by=actor(request), person_id=pk):
        return render(request, "screening/look.html", {"form": LookForm(), "pk": pk})
    return person_page(request, pk)


@require_http_methods(["POST"])
def person_look(request: HttpRequest, pk: int) -> HttpResponse:
    """Open a person who is on none of today's lists, with the reason; it holds for the day."""
    form = LookForm(request.POST)
    if not form.is_valid():
        return render(request, "screening/look.html", {"form": form, "pk": pk}, status=422)
    given = form.cleaned_data
    person_open_with_reason(by=actor(request), person_id=pk, purpose=given["purpose"], words=given["note"])
    return redirect("screening:person", pk=pk)


@require_POST
def person_note(request: HttpRequest, pk: int) -> HttpResponse:
    """Write a note about a person."""
    person = person_open(by=actor(request), person_id=pk, purpose=Purpose.CALL, place="screening:person-note")
    form = NoteForm(request.POST, auto_id="note_%s")
    if not form.is_valid():
        return person_page(request, pk, note_form=form)
    note_write(by=actor(request), person=person, words=form.cleaned_data["words"])
    messages.success(request, _("The note is written. It stands in the story below."))
    return redirect("screening:person", pk=pk)


def person_page(
    request: HttpRequest,
    pk: int,
    *,
    stop_form: StopForm | None = None,
    postpone_form: PostponeForm | None = None,
    correct_form: CorrectionForm | None = None,
    death_form: DeathForm | LivesForm | None = None,
    exclude_form: ExclusionForm | None = None,
    note_form: NoteForm | None = None,
) -> HttpResponse:
    """The page about one person, with a form that came back wrong if there is one."""
    person = person_open(by=actor(request), person_id=pk, purpose=Purpose.CHECK, place="screening:person")
    today = clock.today()
    rounds = rounds_of(person)
    answer = person_eligibility(person, on=today)
    stops = list(Stop.objects.filter(person__in=members_of(person), ended_on=None))
    wrong = any(
        form and form.errors
        for form in (stop_form, postpone_form, correct_form, death_form, exclude_form, note_form)
    )
    context: dict[str, Any] = {
        "person": person,
        "number": number_of(person),
        "age": age_on(person.birth_date, today) if person.birth_date else "",
        "sentence": _status(rounds, answer),
        "next_words": _next(rounds, answer),
        "warnings": _warnings(person, stops),
        "eligibility": answer,
        "rounds": [(r, *_round_words(r), [(k, KIT.label(k.state)) for k in r.kits.all()]) for r in rounds],
        "stops": stops,
        "events": person_story(person),
        "panels": _panels(actor(request), person),
        "may_record": user_holds(actor(request), MAY_RECORD),
        "stop_ends": stop_warning(rounds),
        "wait_ends": wait_warning(rounds),
        "stop_form": stop_form or StopForm(auto_id="stop_%s"),
        "postpone_form": postpone_form or PostponeForm(auto_id="wait_%s"),
        "note_form": note_form or NoteForm(auto_id="note_%s"),
        "exclude_form": exclude_form or ExclusionForm(auto_id="exclude_%s"),
        "exclusions": _exclusions(actor(request), person, today),
        "correct_form": correct_form or CorrectionForm.of(person),
        "death_form": death_form or (LivesForm if person.deceased_on else DeathForm)(auto_id="death_%s"),
        "death_asked": DeathQuestion.objects.filter(person=person, decided_by=None).first(),
        "sources": [(field_label(name), source) for name, source in fact_sources(person).items()],
        "merged_from": person.pk != pk,
        "merges": PersonMerge.objects.filter(kept=person, agreed=True, undone_at=None).select_related(
            "merged"
        ),
    }
    return render(request, "screening/person.html", context, status=422 if wrong else 200)


def _exclusions(user: User, person: Person, today: date) -> list[tuple[Exclusion, bool, bool]]:
    """What leaves the person out, and whether this user may make it last or end it."""
    confirms, records = user_holds(user, MAY_CONFIRM), user_holds(user, MAY_RECORD)
    return [
        (
            one,
            confirms and one.kind in RECORDABLE and not one.confirmed and one.recorded_by_id != user.pk,
            one.kind != "surveillance" and (confirms or (records and not one.confirmed)),
        )
        for one in exclusions_of(person, on=today)
    ]


def _status(rounds: list[Round], answer: Eligibility) -> str:
    current = next((r for r in rounds if r.state != "closed"), None)
    if current is not None:
        return _("In a round: %(state)s.") % {"state": ROUND.label(current.state)}
    return str(answer.sentence)


def _next(rounds: list[Round], answer: Eligibility) -> str:
    current = next((r for r in rounds if r.state != "closed"), None)
    day = current.due_on if current else answer.next_due_on
    return _("Next: %(day)s") % {"day": f"{day:%-d %B %Y}"} if day and not answer.due else ""


def _round_words(round_: Round) -> tuple[str, str]:
    if round_.state == "closed":
        return str(
            ROUND_CLOSE_REASONS.get(round_.close_reason, "")
        ), "ok" if round_.close_reason == "below" else "quiet"
    return ROUND.label(round_.state), "note"


def _warnings(person: Person, stops: list[Stop]) -> list[Caution]:
    found = []
    if person.deceased_on:
        found.append(Caution("stop", _("Died")))
    if person.hidden_address:
        found.append(Caution("warn", _("Hidden address")))
    if person.left_area_on:
        found.append(Caution("quiet", _("Left the area")))
    if any(s.scope == "invitations" for s in stops):
        found.append(Caution("warn", _("Opted out of invitations")))
    for other in look_alikes(person):
        words = {"name": str(other), "day": f"{other.birth_date:%-d %b %Y}" if other.birth_date else "–"}
        found.append(Caution("warn", _("Look-alike: %(name)s, born %(day)s") % words))
    if PossibleDuplicate.objects.filter(Q(first=person) | Q(second=person), verdict="").exists():
        found.append(Caution("warn", _("Possible duplicate")))
    if person.language and not person.language.startswith("en"):
        found.append(Caution("note", _("Language: %(code)s") % {"code": person.language}))
    return found


def _panels(user: User, person: Person) -> list[tuple[str, str]]:
    """The panels other parts offer about a person, if this user may open them."""
    table, found = route_table(), []
    for name, label in PANELS:
        door = table.get(name)
        if door is None or not user.roles & door.roles:
            continue
        try:
            found.append((str(label), reverse(name, args=[person.pk])))
        except NoReverseMatch:
            continue
    return found


@require_POST
def person_stop(request: HttpRequest, pk: int) -> HttpResponse:
    """Record a stop."""
    person = person_open(by=actor(request), person_id=pk, purpose=Purpose.CALL, place="screening:person-stop")
    form = StopForm(request.POST, auto_id="stop_%s")
    if not form.is_valid():
        return person_page(request, pk, stop_form=form)
    try:
        stop = stop_record(by=actor(request), person=person, **form.cleaned_data)
    except RoundbookError as error:
        form.add_error(None, str(error.sentence))
        return person_page(request, pk, stop_form=form)
    messages.success(request, _("Recorded: no more %(what)s.") % {"what": stop.get_scope_display()})
    return redirect("screening:person", pk=pk)


@require_POST
def person_stop_end(request: HttpRequest, pk: int, stop_id: int) -> HttpResponse:
    """Record that a stop was taken back."""
    person = person_open(
        by=actor(request), person_id=pk, purpose=Purpose.CALL, place="screening:person-stop-end"
    )
    try:
        stop = stop_end(by=actor(request), stop=stop_of(person=person, stop_id=stop_id))
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    else:
        answer = person_eligibility(person, on=clock.today())
        messages.success(request, taken_back(stop, rounds_of(person), answer))
    return redirect("screening:person", pk=pk)


@require_POST
def person_postpone(request: HttpRequest, pk: int) -> HttpResponse:
    """Record a postponement."""
    person = person_open(
        by=actor(request), person_id=pk, purpose=Purpose.CALL, place="screening:person-postpone"
    )
    form = PostponeForm(request.POST, auto_id="wait_%s")
    if not form.is_valid():
        return person_page(request, pk, postpone_form=form)
    try:
        postponement_record(by=actor(request), person=person, **form.cleaned_data)
    except RoundbookError as error:
        form.add_error("until", str(error.sentence))
        return person_page(request, pk, postpone_form=form)
    messages.success(
        request,
        _(
            "Postponed. From that day on this person is due again by the usual rules; the next day is shown above."
        ),
    )
    return redirect("screening:person", pk=pk)


@require_POST
def kit_lost(request: HttpRequest, pk: int) -> HttpResponse:
    """Record that a kit never came or is gone."""
    kit = get_object_or_404(Kit.objects.select_related("round"), pk=pk, round__isnull=False)
    round_ = cast(Round, kit.round)
    person = person_open(
        by=actor(request), person_id=round_.person_id, purpose=Purpose.CALL, place="screening:kit-lost"
    )
    try:
        if "now" in request.POST:
            kit_replace_now(by=actor(request), kit=kit)
            words = _("Kit %(serial)s is recorded as lost and another one is on its way today.")
        else:
            kit_reported_lost(by=actor(request), kit=kit)
            words = _("Kit %(serial)s is recorded as lost. Another one goes out with the next replacements.")
    except RoundbookError as error:
        messages.error(request, str(error.sentence))
    else:
        messages.success(request, words % {"serial": kit.serial})
    return redirect("screening:person", pk=person.pk)
