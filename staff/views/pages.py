"""Sign in, sign out, the first page after signing in, and the health of the web process."""

from typing import Any

from django.contrib import messages
from django.contrib.auth.views import LoginView, LogoutView
from django.http import HttpRequest, HttpResponse, HttpResponseBase, JsonResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET

from staff.coming_back import LOST
from staff.context import nav_for
from staff.health import not_ready
from staff.models import User
from staff.waits import waits_behind


class SignIn(LoginView):
    """The sign-in page; too many wrong passwords lock this name from this address for a while."""

    redirect_authenticated_user = True

    def dispatch(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        """Sign in; whose form was lost before is told so on the page it stood on."""
        answer = super().dispatch(request, *args, **kwargs)
        if answer.status_code == 302 and LOST in request.GET:
            words = _("You had been signed out, so what you typed was not kept. Enter it again.")
            messages.warning(request, words)
        return answer

    def get_context_data(self, **kwargs: Any) -> dict[str, Any]:
        """Also whether a form was lost."""
        return super().get_context_data(**kwargs) | {"lost": LOST in self.request.GET}


class SignOut(LogoutView):
    """Ends the session."""


@require_GET
def home(request: HttpRequest) -> HttpResponse:
    """The first page: straight to the only task, or a choice of tasks."""
    user = request.user
    items = nav_for(user, request.path) if isinstance(user, User) else []
    if len(items) == 1:
        return redirect(items[0].url)
    tasks = [(item, waits_behind(item.route)) for item in items]
    return render(request, "staff/home.html", {"tasks": tasks})


@require_GET
def livez(request: HttpRequest) -> JsonResponse:
    """The process answers."""
    return JsonResponse({"status": "alive"})


@require_GET
def readyz(request: HttpRequest) -> JsonResponse:
    """The process can reach its database, and the database is of this version; else 503 with what is amiss."""
    amiss = not_ready()
    return JsonResponse({"status": amiss or "ready"}, status=503 if amiss else 200)
