"""Letter texts: every kind with what is in force, and one page to write, see, propose and approve its words."""

from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.safestring import mark_safe
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_POST

from outreach.catalogue import KINDS
from outreach.forms import ApproveForm, TextForm, first_error
from outreach.letters.barcodes import PICTURE_WORDS, code_image, pictures
from outreach.letters.contexts import checksum_of
from outreach.letters.readability import Reading, reading_of
from outreach.letters.render import Sheet, letters_render
from outreach.letters.slots import filled
from outreach.letters.texts import SHARED, Text, chosen_from, fields_of, passages_of, text_problems, texts_on
from outreach.letters.trying import trial_words
from outreach.letters.words import Drawings, Variant, markup, sentences_of, words_read
from outreach.models import LetterText
from outreach.services.texts import text_approve, text_draft, text_drop
from outreach.views.mail import actor, pdf
from staff import clock
from staff.errors import RoundbookError

EASY_UNTIL = 11.0


@dataclass(frozen=True)
class Shown:
    """One variant as the page shows it."""

    variant: Variant
    body: str
    reading: Reading

    @property
    def hard(self) -> bool:
        """Whether it reads harder than the programme wants."""
        return self.reading.age is not None and self.reading.age > EASY_UNTIL


def shown_of(kind: str, source: str) -> list[Shown]:
    """Every variant of a text with an invented person's words; nothing when it cannot be read."""
    try:
        variants = words_read(source)
    except ValueError:
        return []
    found = []
    for (language, _form), variant in sorted(
        variants.items(), key=lambda one: (one[0][0] != "en", one[0][0], one[0][1] == "easy")
    ):
        passages = passages_of(SHARED).get(language, {})
        words = trial_words(kind, language)
        drawings = Drawings(pictures(), PICTURE_WORDS.get(language))
        body = filled(markup(variant, words, passages, drawings), code_image)
        found.append(
            Shown(variant, mark_safe(body), reading_of(sentences_of(variant, passages), language))  # noqa: S308 - every value is escaped by markup()
        )
    return found


@require_GET
def texts(request: HttpRequest) -> HttpResponse:
    """Every kind of letter: what calls for it, the version in force, how it reads, and whether a draft waits."""
    in_force = texts_on(clock.today())
    drafts = dict(LetterText.objects.filter(approved_by=None).values_list("kind", "proposed_by__full_name"))
    rows = []
    for code, kind in sorted(KINDS.items(), key=lambda one: one[1].number):
        shown = shown_of(code, in_force[code].source)
        ages = [one.reading.age for one in shown if one.reading.age is not None]
        rows.append({
            "kind": kind, "text": in_force[code], "variants": len(shown), "age": max(ages, default=None),
            "draft_by": drafts.get(code, ""),
        })  # fmt: skip
    return render(request, "outreach/texts.html", {"rows": rows})


@require_GET
def text(request: HttpRequest, kind: str) -> HttpResponse:
    """One letter's words: what is in force, the draft, and every older version."""
    return _page(request, kind)


def _page(
    request: HttpRequest, kind: str, *, form: TextForm | None = None, problems: list[str] | None = None
) -> HttpResponse:
    if kind not in KINDS:
        raise Http404
    in_force = texts_on(clock.today())[kind]
    draft = LetterText.objects.filter(kind=kind, approved_by=None).select_related("proposed_by").first()
    start = {"words": draft.words if draft else in_force.source, "why": draft.why if draft else ""}
    form = form or TextForm(initial=start)
    words = form.data.get("words", "") if form.is_bound else start["words"]
    context: dict[str, Any] = {
        "kind": KINDS[kind], "in_force": in_force, "draft": draft, "form": form, "problems": problems or [],
        "shown": shown_of(kind, words), "fields": [name for name in fields_of(kind) if name != "address"],
        "approve": ApproveForm(initial={"valid_from": clock.today()}),
        "mine": draft is not None and draft.proposed_by_id == actor(request).pk,
        "older": LetterText.objects.filter(kind=kind, approved_by__isnull=False).select_related("approved_by", "proposed_by"),
    }  # fmt: skip
    return render(request, "outreach/text.html", context, status=422 if problems or form.errors else 200)


@require_POST
def text_look(request: HttpRequest, kind: str) -> HttpResponse:
    """The words as typed, in every variant, with what is wrong with them; nothing is saved."""
    if kind not in KINDS:
        raise Http404
    words = request.POST.get("words", "")[:60_000]
    context = {"shown": shown_of(kind, words), "problems": text_problems(kind, words), "kind": KINDS[kind]}
    return render(request, "outreach/_text_look.html", context)


@require_POST
def text_propose(request: HttpRequest, kind: str) -> HttpResponse:
    """Save the draft of the next version."""
    form = TextForm(request.POST)
    if not form.is_valid():
        return _page(request, kind, form=form)
    try:
        made = text_draft(
            by=actor(request), kind=kind, words=form.cleaned_data["words"], why=form.cleaned_data["why"]
        )
    except RoundbookError as error:
        if error.status == 403:
            raise
        return _page(
            request,
            kind,
            form=form,
            problems=[str(one) for one in error.data.get("problems", [error.sentence])],
        )
    messages.success(request, _("Version %(n)s waits for somebody else's approval.") % {"n": made.number})
    return redirect("outreach:text", kind=kind)


@require_POST
def text_decide(request: HttpRequest, pk: int) -> HttpResponse:
    """Approve a draft from a day on, or throw it away."""
    draft = get_object_or_404(LetterText, pk=pk)
    if request.POST.get("do") == "drop":
        text_drop(by=actor(request), text=draft)
        messages.info(request, _("The draft was thrown away."))
        return redirect("outreach:text", kind=draft.kind)
    form = ApproveForm(request.POST)
    if not form.is_valid():
        messages.error(request, first_error(form))
        return redirect("outreach:text", kind=draft.kind)
    try:
        made = text_approve(by=actor(request), text=draft, valid_from=form.cleaned_data["valid_from"])
    except RoundbookError as error:
        if error.status == 403:
            raise
        messages.error(request, str(error.sentence))
    else:
        messages.success(
            request, _("Version %(n)s is in force from %(day)s.") % {"n": made.number, "day": made.valid_from}
        )
    return redirect("outreach:text", kind=draft.kind)


@require_GET
def text_paper(request: HttpRequest, kind: str, language: str, form: str) -> HttpResponse:
    """The draft, or what is in force, on paper in one variant, about an invented person."""
    if kind not in KINDS:
        raise Http404
    draft = LetterText.objects.filter(kind=kind, approved_by=None).first()
    in_force = texts_on(clock.today())[kind]
    words = Text(kind, in_force.number, draft.words, draft.shared) if draft else in_force
    chosen = chosen_from(words, language, form)
    context = trial_words(kind, chosen.language)
    version = f"{chosen.version}"
    sheet = Sheet("0-1-TRY", version, context,
                  checksum_of(text_version=version, words_digest=words.digest, context=context), chosen=chosen)  # fmt: skip
    return pdf(letters_render([sheet], title=_("Trial letter")).content, f"{version}.pdf")
