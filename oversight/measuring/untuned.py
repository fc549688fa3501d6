"""An untuned Django view of the same scan, for comparison only: the ORM as it comes, a connection for every request."""

from typing import Any, cast

from django.conf import settings
from django.core.wsgi import get_wsgi_application
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import include, path

from screening.models import IntakeSession, Kit, Return, Round, Scan
from staff import clock
from staff.acting import acting
from staff.ledger.moves import make_move
from staff.models import User


def scan(request: HttpRequest, session_id: int) -> HttpResponse:
    """Fetch, check, save and render, one thing after the other."""
    by = cast(User, request.user)
    with transaction.atomic(), acting(by) as frame:
        session = IntakeSession.objects.select_related("delivery", "operator").get(pk=session_id)
        kit = Kit.objects.select_for_update().get(serial=request.POST["raw"])
        round_ = Round.objects.select_for_update().select_related("person").get(pk=cast(int, kit.round_id))
        if kit.state != "dispatched" or Return.objects.filter(kit=kit).exclude(state="undone").exists():
            return render(request, "403.html", status=422)
        day = clock.today()
        back = Return.objects.create(
            kit=kit, delivery=cast(Any, session.delivery), session=session, arrived_on=day, label_day="1",
            collected_earliest=day, collected_latest=day, name_checked=True,
        )  # fmt: skip
        make_move(back, "log", due_on=day, pool="front_desk")
        make_move(back, "accept")
        make_move(kit, "return")
        make_move(round_, "kit_back", due_on=day, pool="laboratory")
        Scan.objects.create(
            session=session, sequence=int(request.POST["sequence"]), raw=kit.serial, kit=kit, outcome="accepted",
            code="fit", heard_at=frame.now, by=by,
        )  # fmt: skip
        scans = Scan.objects.filter(session=session).select_related("kit__round__person").order_by("-pk")
        context = {
            "text": str(round_.person),
            "rows": [str(s.kit) for s in scans[:5]],
            "count": scans.count(),
        }
        return render(request, "404.html", context)


urlpatterns = [path("", include(([path("post/<int:session_id>/scan", scan, name="post-scan")], "screening")))]


def application_made() -> Any:
    """The WSGI application with this one address."""
    settings.ROOT_URLCONF = __name__
    settings.DATABASES["default"]["CONN_MAX_AGE"] = 0
    settings.MIDDLEWARE.remove("screening.scan_door.ScanDoor")
    return get_wsgi_application()
