"""`manage.py listen_lis2 --by NAME`: take LIS2-A2 messages in, framed by LIS1-A, from a serial line carried over TCP."""

from results.listening import Lis1Line
from results.management.listener import ListenCommand


class Command(ListenCommand):
    """Every frame is answered; the messages of a session are kept when it ends, or when the line goes down."""

    help = "Listen for LIS2-A2 results framed by LIS1-A."
    line = Lis1Line
    port = 4001
