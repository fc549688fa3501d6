"""Adds a member of staff, gives other roles or a new password, closes an account or opens it again; adds a site."""

import getpass
import json
import sys
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import transaction

from staff.errors import RoundbookError
from staff.models import User
from staff.services import accounts
from staff.services.accounts import Place

TASKS = {"kits": "receives_kits", "laboratory": "is_laboratory", "colonoscopy": "does_colonoscopy"}


class Command(BaseCommand):
    """`account NAME [--name WORDS] [--role ROLE[@SITE] …] [--password | --close | --open] --by ADMINISTRATOR`."""

    help = (
        "Add or change an account. A new one needs --name and --role; its password is asked for, or read from standard"
        " input with --stdin. --site CODE --name WORDS --does TASK adds a site. The first account needs no --by and must"
        " be an administrator's. Exit status: 0 done, 1 refused."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """The command's options."""
        parser.add_argument("account", nargs="?", default="", help="sign-in name")
        parser.add_argument("--by", default="", help="sign-in name of the administrator who does this")
        parser.add_argument("--name", default="", help="the person's, or the site's, name")
        parser.add_argument(
            "--role", action="append", default=[], help="a role, or role@SITE; may be given again"
        )
        parser.add_argument("--password", action="store_true", help="set a new password")
        parser.add_argument("--stdin", action="store_true", help="read the password from standard input")
        parser.add_argument("--close", action="store_true", help="nobody signs in with it from now on")
        parser.add_argument("--open", action="store_true", help="it may be used again")
        parser.add_argument("--site", default="", help="code of a site to add")
        parser.add_argument(
            "--does", action="append", default=[], choices=sorted(TASKS), help="what the site does"
        )
        parser.add_argument("--list", action="store_true", help="who there is, with their roles")
        parser.add_argument("--json", action="store_true", help="one JSON object")
        parser.add_argument("--dry-run", action="store_true", help="try it and take it back")

    def handle(self, *args: Any, **options: Any) -> None:
        """Do it in one transaction."""
        try:
            with transaction.atomic():
                told = _told(options)
                if options["dry_run"]:
                    transaction.set_rollback(True)
        except RoundbookError as error:
            raise CommandError(str(error.sentence)) from error
        told |= {"dry_run": True} if options["dry_run"] else {}
        words = "\n".join(f"{key}: {value}" for key, value in told.items())
        self.stdout.write(json.dumps(told) if options["json"] else words)


def _told(options: dict[str, Any]) -> dict[str, Any]:
    if options["list"]:
        people = User.objects.filter(api_client__isnull=True, postings__isnull=False).distinct()
        return {one.username: _of(one) for one in people.order_by("username")}
    by = _by(options["by"])
    if options["site"]:
        does = [TASKS[one] for one in options["does"]]
        site = accounts.site_add(by=by, code=options["site"], name=options["name"], does=does)
        return {"site": site.code, "name": site.name}
    if not options["account"]:
        raise CommandError("Name the account, or use --list.")
    user = User.objects.filter(username__iexact=options["account"], api_client__isnull=True).first()
    places = [Place.read(one) for one in options["role"]]
    if user is None:
        user = accounts.account_add(
            by=by,
            username=options["account"],
            full_name=options["name"],
            password=_password(options),
            places=places,
        )
    else:
        _change(by, user, places, options)
    user = User.objects.get(pk=user.pk)
    return {user.username: _of(user)}


def _change(by: User, user: User, places: list[Place], options: dict[str, Any]) -> None:
    if places:
        accounts.account_roles(by=by, user=user, places=places)
    if options["password"]:
        accounts.account_password(by=by, user=user, password=_password(options))
    if options["close"] or options["open"]:
        accounts.account_active(by=by, user=user, active=options["open"])


def _of(user: User) -> str:
    places = [
        f"{p.role}@{p.site.code}" if p.site else p.role
        for p in user.postings.select_related("site").order_by("pk")
    ]
    return f"{user.full_name}; {', '.join(places)}; {'active' if user.is_active else 'closed'}"


def _by(name: str) -> User:
    if not name:
        if accounts.first_administrator_missing():
            return User.objects.system()
        raise CommandError("Say with --by which administrator does this.")
    found = User.objects.filter(username__iexact=name).first()
    if found is None:
        raise CommandError(f"There is nobody called {name!r}.")
    return found


def _password(options: dict[str, Any]) -> str:
    if options["stdin"]:
        return sys.stdin.readline().rstrip("\n")
    first = getpass.getpass("Password: ")
    if first != getpass.getpass("The same again: "):
        raise CommandError("The two are not the same. Nothing was changed.")
    return first
