"""Adds a client with its token, makes a client's next token, or revokes one; the secret is printed once."""

import json
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import transaction

from staff.errors import RoundbookError
from staff.models import ApiClient, Site, User
from staff.roles import PEOPLE
from staff.services.clients import NewToken, client_make, token_make, token_revoke


class Command(BaseCommand):
    """`api_token NAME --by ADMINISTRATOR [--role ROLE --site CODE --about WORDS | --again | --revoke] [--days N]`."""

    help = "Make a program's token and print its secret once. Exit status: 0 done, 1 refused."

    def add_arguments(self, parser: CommandParser) -> None:
        """The command's options."""
        parser.add_argument("name", help="what the program is called")
        parser.add_argument("--by", required=True, help="sign-in name of the administrator who does this")
        parser.add_argument("--role", choices=sorted(PEOPLE), default="", help="role of a new client")
        parser.add_argument("--site", default="", help="code of its only site; empty: the whole programme")
        parser.add_argument("--about", default="", help="which system it is, and whom to call about it")
        parser.add_argument("--days", type=int, default=365, help="how long the token lasts")
        parser.add_argument("--again", action="store_true", help="a new token for a client that is there")
        parser.add_argument("--revoke", action="store_true", help="end its token")
        parser.add_argument("--json", action="store_true", help="one JSON object")
        parser.add_argument("--dry-run", action="store_true", help="try it and take it back")

    def handle(self, *args: Any, **options: Any) -> None:
        """Do it in one transaction."""
        by = User.objects.filter(username__iexact=options["by"]).first()
        if by is None:
            raise CommandError(f"There is nobody called {options['by']!r}.")
        try:
            with transaction.atomic():
                told = self._told(by, options)
                if options["dry_run"]:
                    transaction.set_rollback(True)
                    told = {key: value for key, value in told.items() if key != "secret"} | {"dry_run": True}
        except RoundbookError as error:
            raise CommandError(str(error.sentence)) from error
        words = ", ".join(f"{key} {value}" for key, value in told.items())
        self.stdout.write(json.dumps(told) if options["json"] else words)

    def _told(self, by: User, options: dict[str, Any]) -> dict[str, Any]:
        if options["revoke"]:
            return {"client": options["name"], "revoked": token_revoke(by=by, client=self._client(options["name"]))}
        if options["again"]:
            return self._made(token_make(by=by, client=self._client(options["name"]), days=options["days"]))
        site = Site.objects.filter(code=options["site"]).first() if options["site"] else None
        if options["site"] and site is None:
            raise CommandError(f"There is no site {options['site']!r}.")
        given = {key: options[key] for key in ("name", "about", "role", "days")}
        return self._made(client_make(by=by, site=site, **given))

    def _client(self, name: str) -> ApiClient:
        found = ApiClient.objects.filter(user__full_name=name).order_by("-pk").first()
        if found is None:
            raise CommandError(f"There is no client called {name!r}.")
        return found

    def _made(self, made: NewToken) -> dict[str, Any]:
        return {
            "client": str(made.token.client), "expires": made.token.expires_at.isoformat(), "secret": made.secret,
        }  # fmt: skip
