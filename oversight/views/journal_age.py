"""Age of the journal: how old it is by month, what is past its time, what went, and the command that lets it go."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from oversight.services.journal_age import journal_age
from staff import clock


@require_GET
def age_of_the_journal(request: HttpRequest) -> HttpResponse:
    """The months of the access journal; nothing can be deleted from here."""
    return render(request, "oversight/journal_age.html", {"age": journal_age(), "now": clock.now()})
