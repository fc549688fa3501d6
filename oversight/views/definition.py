"""One indicator: what it counts, its levels, figures that were given, and why they differ from today's."""

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_POST

from oversight.filters import Asked
from oversight.forms import ALL_CUTS, AskedForm
from oversight.indicators import Indicator, indicators
from oversight.models import GivenFigure, LevelSet
from oversight.pages.parts import sentence_of
from oversight.rollup.measures import ANCHORS
from oversight.services.asked_words import asked_words
from oversight.services.figures import figures
from oversight.services.given import figure_give, reconcile
from oversight.services.levels import level_set
from staff import clock
from staff.errors import NotAllowed, RoundbookError
from staff.models import User
from staff.roles import Role

GIVEN_SHOWN = 20


def reader_of(request: HttpRequest) -> User:
    """Who is signed in."""
    if not isinstance(request.user, User):
        raise NotAllowed("signed_out", _("Sign in first."))
    return request.user


def _indicator(key: str) -> Indicator:
    if key not in indicators():
        raise Http404
    return indicators()[key]


@require_GET
def definition(request: HttpRequest, key: str) -> HttpResponse:
    """The definition upward from a figure: words, counting, levels, and what was given to whom."""
    one = _indicator(key)
    form = AskedForm(request.GET, today=clock.today(), cuts=ALL_CUTS)
    asked = form.asked()
    counted = figures(asked, [key])
    given = GivenFigure.objects.filter(indicator=key).select_related("given_by")[:GIVEN_SHOWN]
    return render(
        request,
        "oversight/definition.html",
        {
            "one": one,
            "form": form,
            "problems": form.problems(),
            "asked": asked,
            "cut_at": counted.cut_at,
            "filters": asked_words(asked),
            "sentence": sentence_of(counted, key),
            "counting": [(name, one.source.measures[name]) for name in dict.fromkeys(one.measures)],
            "from_rounds": one.anchor in ANCHORS,
            "levels": counted.levels[key],
            "set_before": LevelSet.objects.filter(indicator=key).select_related("set_by").order_by("-pk"),
            "given": [
                (reconcile(row), asked_words(Asked(row.since, row.until, only=row.only))) for row in given
            ],
            "may_change": Role.MANAGER in reader_of(request).roles,
        },
    )


@require_POST
def give(request: HttpRequest, key: str) -> HttpResponse:
    """Keep the figure with whom it is given to."""
    _indicator(key)
    form = AskedForm(request.POST, today=clock.today(), cuts=ALL_CUTS)
    asked = form.asked()
    try:
        form.asked_or_refused()
        kept = figure_give(by=reader_of(request), to=request.POST.get("given_to", ""), key=key, asked=asked)
        messages.success(
            request,
            _("Kept: %(x)s of %(n)s, given to %(to)s.")
            % {"x": kept.numerator, "n": kept.denominator, "to": kept.given_to},
        )
    except RoundbookError as error:
        messages.error(request, str(error))
    return redirect(f"{reverse('oversight:definition', args=[key])}?{asked.query}")


@require_POST
def set_level(request: HttpRequest, key: str) -> HttpResponse:
    """Set, confirm or withdraw a level."""
    _indicator(key)
    told = request.POST
    try:
        level_set(
            by=reader_of(request), indicator=key, source=told.get("source", ""), acceptable=told.get("acceptable", ""),
            desirable=told.get("desirable", ""), confirmed=bool(told.get("confirmed")), withdrawn=bool(told.get("withdrawn")),
        )  # fmt: skip
        messages.success(request, _("The level is set."))
    except RoundbookError as error:
        messages.error(request, str(error))
    return redirect("oversight:definition", key=key)
