"""What the two listening commands share: who takes messages in, the address, and a line of JSON a message."""

import json
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from results.listening import Desk, Line, Listener
from results.models import Analyser, InboxMessage
from staff.models import User


class ListenCommand(BaseCommand):
    """Listens until it is stopped; prints a JSON object for each message."""

    line: type[Line]
    port = 0

    def add_arguments(self, parser: CommandParser) -> None:
        """Address, actor and analyser."""
        parser.add_argument("--host", default="127.0.0.1", help="address to listen on; loopback unless told otherwise")  # fmt: skip
        parser.add_argument("--port", type=int, default=self.port)
        parser.add_argument("--by", required=True, metavar="SIGN-IN NAME", help="in whose name messages are taken in")  # fmt: skip
        parser.add_argument("--analyser", default="", metavar="CODE", help="the analyser on this line; else messages name it")  # fmt: skip

    def handle(self, *args: Any, **options: Any) -> None:
        """Serve until interrupted."""
        by = User.objects.filter(username__iexact=options["by"]).first()
        if by is None:
            raise CommandError(f"There is no member of staff {options['by']}.")
        analyser = None
        if options["analyser"]:
            analyser = Analyser.objects.filter(code=options["analyser"]).first()
            if analyser is None:
                raise CommandError(f"There is no analyser {options['analyser']}.")
        with Listener((options["host"], options["port"]), self.line, Desk(by, analyser, self._tell)) as server:  # fmt: skip
            self.stdout.write(json.dumps({"listening": list(server.server_address)}))
            self.stdout.flush()
            try:
                server.serve_forever()
            except KeyboardInterrupt:
                self.stdout.write(json.dumps({"stopped": True}))

    def _tell(self, row: InboxMessage) -> None:
        told = {"message": row.pk, "verdict": row.verdict, "times": row.times, "control_id": row.control_id}
        self.stdout.write(json.dumps(told, ensure_ascii=False))
        self.stdout.flush()
