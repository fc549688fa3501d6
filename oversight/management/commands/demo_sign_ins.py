"""Prints who can sign in to the demo region."""

from typing import Any

from django.core.management.base import BaseCommand

from oversight.models import Rehearsal
from oversight.rehearsal.setting import DEMO_PASSWORD
from staff.models import User
from staff.roles import Role


class Command(BaseCommand):
    """One line a sign-in: name, roles; then the password that all of them share in the demo."""

    help = "Print the demo region's sign-ins."

    def handle(self, *args: Any, **options: Any) -> None:
        for user in User.objects.filter(is_active=True, postings__isnull=False).distinct().order_by("pk"):
            roles = ", ".join(str(Role(role).label) for role in sorted(user.roles))
            self.stdout.write(f"  {user.username:<10} {user.full_name:<22} {roles}")
        first = User.objects.filter(is_active=True, postings__isnull=False).order_by("pk").first()
        if first is not None and first.check_password(DEMO_PASSWORD):
            self.stdout.write(f"  Password of everybody in the demo: {DEMO_PASSWORD}")
        mark = Rehearsal.objects.order_by("-pk").first()
        if mark is not None and mark.summary.get("post"):
            self.stdout.write("  Kits in today's post: " + " ".join(mark.summary["post"]))
