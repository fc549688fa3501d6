"""Files to take away: asked for here, made by a worker, fetched when ready."""

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_POST

from oversight.forms import AskedForm
from oversight.models import Export
from oversight.services.exports import KEPT, export_ask
from oversight.tasks import make_files
from oversight.views.definition import reader_of
from staff import clock
from staff.errors import RoundbookError

KINDS = {"csv": "text/csv; charset=utf-8", "pdf": "application/pdf", "zip": "application/zip",
         "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"}  # fmt: skip


@require_GET
def exports(request: HttpRequest) -> HttpResponse:
    """What was asked for, how far it is, and the form for another; a fragment while something is being made."""
    form = AskedForm(request.GET, today=clock.today())
    rows = Export.objects.defer("content").select_related("asked_by")[:KEPT]
    running = any(row.status in (Export.Status.WAITING, Export.Status.RUNNING) for row in rows)
    page = "oversight/_exports.html" if request.headers.get("HX-Request") else "oversight/exports.html"
    return render(
        request,
        page,
        {
            "form": form,
            "problems": form.problems(),
            "asked": form.asked(),
            "rows": rows,
            "running": running,
            "kinds": Export.Kind.choices,
        },
    )


@require_POST
def ask(request: HttpRequest) -> HttpResponse:
    """Ask for a file."""
    form = AskedForm(request.POST, today=clock.today())
    try:
        export_ask(by=reader_of(request), kind=request.POST.get("kind", ""), asked=form.asked_or_refused())
        make_files.delay()
        messages.success(request, _("It is being made; this page shows how far it is."))
    except RoundbookError as error:
        messages.error(request, str(error))
    return redirect("oversight:exports")


@require_GET
def fetch(request: HttpRequest, pk: int) -> HttpResponse:
    """The file, as it was made."""
    one = Export.objects.filter(pk=pk, status=Export.Status.DONE).first()
    if one is None or one.content is None:
        raise Http404
    ending = one.file_name.rsplit(".", 1)[-1]
    answer = HttpResponse(bytes(one.content), content_type=KINDS[ending])
    answer["Content-Disposition"] = f'attachment; filename="{one.file_name}"'
    return answer
