"""Letters of one person: the panel for the pages about that person, and each letter as it was frozen."""

from django.contrib import messages
from django.db import transaction
from django.db.models import Count
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_POST

from outreach.catalogue import KINDS
from outreach.forms import ReplyForm, WishForm
from outreach.lanes import letters_of
from outreach.models import Letter, Wish
from outreach.routes import NAMED, OFFICE
from outreach.services.held import words_of
from outreach.services.preview import letter_preview
from outreach.services.rendering import letter_render
from outreach.services.signing_preview import next_step_preview
from outreach.services.wishes import RECORDERS
from outreach.states import LETTER
from outreach.views.mail import actor, pdf
from outreach.views.wishes import kept_of
from results.forms_report import SignForm
from results.models import Referral, Sample
from screening.access import person_open, reason_owed
from staff import clock
from staff.access import user_holds
from staff.errors import RoundbookError
from staff.models import Purpose

TONES = {
    "owed": "quiet", "held": "warn", "frozen": "note", "printed": "note", "sending": "warn", "handed_over": "ok", "undelivered": "stop",
    "settled": "ok", "cancelled": "quiet", "superseded": "quiet",
}  # fmt: skip


@require_GET
def person_panel(request: HttpRequest, person_id: int) -> HttpResponse:
    """A person's letters, newest first, with their state and the day of each; outside one's lists only with a reason."""
    if reason_owed(by=actor(request), person_id=person_id):
        return redirect("screening:person", pk=person_id)
    with transaction.atomic():
        person = person_open(
            by=actor(request), person_id=person_id, purpose=Purpose.CHECK, place="outreach:person-panel"
        )
        letters = letters_of(person)
    rows = [_row(letter) for letter in letters]
    wish = Wish.objects.filter(person=person).first()
    known = {
        "form": wish.form if wish else "standard", "text": bool(wish and wish.text_since),
        "email": bool(wish and wish.email_since), "source": wish.source if wish else "",
    }  # fmt: skip
    wished, replied = (kept_of(request, person_id, name) for name in ("wishes", "reply"))
    context = {
        "rows": rows, "person_id": person_id, "wish_form": WishForm(wished, initial=known),
        "reply_form": ReplyForm(replied), "may_record": user_holds(actor(request), RECORDERS),
        "may_reply": user_holds(actor(request), NAMED.roles),
    }  # fmt: skip
    return render(request, "outreach/_person_panel.html", context)


def _row(letter: Letter) -> dict[str, object]:
    last = max(letter.moves.all(), key=lambda move: move.seq)
    stopped = letter.state in ("held", "cancelled", "superseded")
    return {
        "letter": letter,
        "kind": KINDS[letter.kind],
        "word": LETTER.label(letter.state),
        "tone": TONES[letter.state],
        "when": last.occurred_at,
        "why": words_of(last.reason) if stopped and last.reason else "",
        "token": max((x.token for x in letter.printed.all()), default=""),
        "has_words": bool(letter.checksum),
    }


@require_GET
def result_preview(request: HttpRequest, pk: int) -> HttpResponse:
    """The letter that releasing a sample's result would lead to; nothing is released."""
    sample = get_object_or_404(Sample, pk=pk)
    by, place = actor(request), "outreach:result-preview"
    with transaction.atomic():
        person_open(by=by, person_id=sample.person_id, purpose=Purpose.WORKLIST, place=place)
    try:
        rendered = letter_preview(by=by, sample=sample)
    except RoundbookError as error:
        messages.warning(request, str(error.sentence))
        return redirect("results:release-one", pk=pk)
    return pdf(rendered.content, "preview.pdf")


@require_POST
def next_step_beforehand(request: HttpRequest, pk: int) -> HttpResponse:
    """Both letters that signing what stands in the form would lead to; nothing is signed."""
    by = actor(request)
    referral = get_object_or_404(Referral.objects.select_related("person"), pk=pk)
    with transaction.atomic():
        person_open(
            by=by, person_id=referral.person_id, purpose=Purpose.WORKLIST, place="outreach:next-step-preview"
        )
    form = SignForm(request.POST, referral=referral, user=by, today=clock.today(), prefix="sign")
    if not form.is_valid():
        words = _("Fill in finding, next step and words first; then the letters can be read beforehand.")
        return render(request, "outreach/no_letter.html", {"words": words}, status=422)
    names = ("finding", "histology", "step", "on", "words", "deviation")
    try:
        rendered = next_step_preview(
            by=by, referral=referral, values={name: form.cleaned_data.get(name) for name in names}
        )
    except RoundbookError as error:
        return render(request, "outreach/no_letter.html", {"words": error.sentence}, status=error.status)
    return pdf(rendered.content, "preview.pdf")


@require_GET
def look_back_panel(request: HttpRequest, pk: int) -> HttpResponse:
    """How far the letters about a look-back's results have come, by kind and state; nobody is named."""
    rows = (
        Letter.objects.filter(result__look_backs__look_back_id=pk)
        .values_list("kind", "state")
        .annotate(n=Count("pk"))
        .order_by("kind", "state")
    )
    context = {"rows": [(KINDS[kind].name, LETTER.label(state), TONES[state], n) for kind, state, n in rows]}
    return render(request, "outreach/_look_back_panel.html", context)


@require_GET
def batch_panel(request: HttpRequest, pk: int) -> HttpResponse:
    """How far the invitations of a batch have come, by state; nobody is named."""
    rows = (
        Letter.objects.filter(kind="invitation", round__batch_id=pk)
        .values_list("state")
        .annotate(n=Count("pk"))
        .order_by("state")
    )
    context = {
        "rows": [(LETTER.label(state), TONES[state], n) for state, n in rows],
        "may_mail": user_holds(actor(request), OFFICE.roles),
    }
    return render(request, "outreach/_batch_panel.html", context)


@require_GET
def round_panel(request: HttpRequest, pk: int) -> HttpResponse:
    """The letters of one round with their state, for the laboratory that changes its result."""
    letters = Letter.objects.filter(round_id=pk).exclude(kind__in=["invitation", "reminder"])
    rows = [_row(letter) for letter in letters.prefetch_related("moves", "printed").order_by("-pk")]
    return render(request, "outreach/_round_panel.html", {"rows": rows})


@require_GET
def letter_pdf(request: HttpRequest, pk: int) -> HttpResponse:
    """One letter as it was frozen; journalled as printed."""
    letter = get_object_or_404(Letter, pk=pk)
    person_open(
        by=actor(request), person_id=letter.person_id, purpose=Purpose.EXPORT, place="outreach:letter-pdf"
    )
    try:
        content = letter_render(letter=letter).content
    except RoundbookError as error:
        return render(request, "outreach/no_letter.html", {"words": error.sentence}, status=error.status)
    except OSError:
        words = _("This machine cannot lay out letters: a system library is missing. Ask the administrator.")
        return render(request, "outreach/no_letter.html", {"words": words}, status=503)
    return pdf(content, f"letter-{letter.pk}.pdf")
