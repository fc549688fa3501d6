"""`manage.py listen_hl7 --by NAME`: take HL7 v2.5.1 ORU^R01 messages in over MLLP."""

from results.listening import MllpLine
from results.management.listener import ListenCommand


class Command(ListenCommand):
    """Every message is kept and answered: AA kept, AE something in it was refused, AR refused as a whole."""

    help = "Listen for HL7 v2.5.1 results over MLLP."
    line = MllpLine
    port = 2575
