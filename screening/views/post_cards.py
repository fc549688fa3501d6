"""Papers of the desk: command cards on screen and as PDF, slips, tray slips, practice kits."""

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.cache import cache_control
from django.views.decorators.http import require_GET

from screening.barcodes import code128_svg
from screening.models import IntakeSession, Tray
from screening.services import intake_paper
from screening.services.intake_cards import CARDS


def _pdf(content: bytes, name: str) -> HttpResponse:
    response = HttpResponse(content, content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="{name}.pdf"'
    return response


@require_GET
def cards(request: HttpRequest) -> HttpResponse:
    """The command cards, to print and tape to the desk."""
    return render(request, "screening/post_cards.html", {"groups": intake_paper.groups()})


@require_GET
@cache_control(private=True, max_age=86_400)
def card(request: HttpRequest, code: str) -> HttpResponse:
    """One command card's barcode (Code 128) as SVG."""
    if code not in CARDS:
        raise Http404
    return HttpResponse(code128_svg(code), content_type="image/svg+xml")


@require_GET
def cards_pdf(request: HttpRequest) -> HttpResponse:
    """Every card and tray label as one PDF."""
    return _pdf(intake_paper.cards_pdf(), "command-cards")


@require_GET
def practice_pdf(request: HttpRequest) -> HttpResponse:
    """The practice kits as PDF."""
    return _pdf(intake_paper.practice_pdf(), "practice-kits")


@require_GET
def slip_pdf(request: HttpRequest, session_id: int) -> HttpResponse:
    """The slip for the box of a session that is paused."""
    session = get_object_or_404(IntakeSession.objects.select_related("delivery__site"), pk=session_id)
    return _pdf(intake_paper.slip_pdf(session), f"session-{session_id}")


@require_GET
def tray_pdf(request: HttpRequest, tray_id: int) -> HttpResponse:
    """What one tray holds."""
    tray = get_object_or_404(Tray.objects.select_related("session__delivery"), pk=tray_id)
    return _pdf(intake_paper.tray_pdf(tray), f"tray-{tray.label}")
