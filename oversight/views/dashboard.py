"""The pages of "How are we doing?"."""

from collections.abc import Sequence

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET

from oversight.filters import Asked
from oversight.forms import ALL_CUTS, AskedForm
from oversight.indicators import BREAKDOWNS, EQUITY_CUTS
from oversight.pages.directory import PAGES
from oversight.pages.examiners import examiners
from oversight.pages.flow import compare, flow
from oversight.pages.parts import Shown
from oversight.proof_page import person_address
from oversight.services.asked_words import asked_words
from oversight.services.lists import LARGEST, listed
from oversight.services.proofs import proof_latest, run_summary
from oversight.views.definition import reader_of
from screening.months import add_months
from staff import clock
from staff.roles import Role


@require_GET
def how_are_we_doing(request: HttpRequest) -> HttpResponse:
    """Six sentences and what happened; aggregates only."""
    return figures_page(request, page="overview")


@require_GET
def figures_page(request: HttpRequest, page: str) -> HttpResponse:
    """One page of figures; aggregates only."""
    if page not in PAGES:
        raise Http404
    form = AskedForm(request.GET, today=clock.today(), cuts=EQUITY_CUTS if page == "equity" else BREAKDOWNS)
    asked = form.asked()
    other, wrong = _other(request) if page == "flow" else (None, [])
    shown = flow(asked, other) if other else PAGES[page][1](asked)
    return _answer(request, form, shown, other, wrong)


@require_GET
def two_cohorts(request: HttpRequest) -> HttpResponse:
    """The same figures for two periods; without a second one, the same days a year before."""
    form = AskedForm(request.GET, today=clock.today())
    asked = form.asked()
    asked_too, wrong = _other(request)
    other = asked_too or Asked(
        add_months(asked.since, -12), add_months(asked.until, -12), asked.by, asked.only
    )
    return _answer(request, form, compare(asked, other), other, wrong)


@require_GET
def examiners_page(request: HttpRequest) -> HttpResponse:
    """Colonoscopies by who made them; for few eyes."""
    form = AskedForm(request.GET, today=clock.today())
    return _answer(request, form, examiners(form.asked()))


def _other(request: HttpRequest) -> tuple[Asked | None, list[str]]:
    """The second cohort of the address (from2, to2), with the same filters, or what is wrong with it."""
    ends = [request.GET.get(name) for name in ("from2", "to2")]
    if not any(ends):
        return None, []
    if not all(ends):
        return None, [_("The second cohort needs a first and a last day.")]
    form = AskedForm(request.GET, today=clock.today(), prefix_from="from2", prefix_to="to2")
    if form.is_valid():
        return form.asked(), []
    return None, [
        _("Second cohort: %(words)s") % {"words": words}
        for name in (*form.ends, "__all__")
        for words in form.errors.get(name, ())
    ]


def _answer(
    request: HttpRequest, form: AskedForm, shown: Shown, other: Asked | None = None, wrong: Sequence[str] = ()
) -> HttpResponse:
    latest = proof_latest() if shown.slug == "overview" else None
    return render(
        request,
        "oversight/dashboard.html",
        {
            "form": form,
            "page": shown,
            "filters": asked_words(shown.asked),
            "pages": [(slug, words) for slug, (words, _build) in PAGES.items()],
            "problems": [*form.problems(), *wrong],
            "proof": run_summary(latest) if latest else None,
            "other": other,
            "second_form": shown.slug in ("flow", "compare"),
            "may_see_examiners": bool(reader_of(request).roles & {Role.MANAGER, Role.CLINICIAN}),
            "may_take_away": bool(reader_of(request).roles & {Role.MANAGER, Role.ADMINISTRATOR}),
        },
    )


@require_GET
def people_behind(request: HttpRequest) -> HttpResponse:
    """The list behind a figure or a row: rounds, no names; a record opens for those who may open one."""
    form = AskedForm(request.GET, today=clock.today(), cuts=ALL_CUTS)
    asked = form.asked()
    found = listed(
        asked, key=request.GET.get("key", ""), part=request.GET.get("part", ""), place=request.GET.get("place", ""),
        row=request.GET.get("row", ""),
    )  # fmt: skip
    if found is None:
        raise Http404
    address = person_address(reader_of(request))
    return render(
        request,
        "oversight/people_behind.html",
        {
            "found": found,
            "asked": asked,
            "rows": [(row, address(row.person_id)) for row in found.rows],
            "largest": LARGEST,
            "filters": asked_words(asked),
            "form": form,
            "problems": form.problems(),
        },
    )
