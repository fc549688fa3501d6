"""How the web service listens and what it bears; the same in a container, under systemd and in the trial of both."""

import os
import sys
from pathlib import Path

PROJECT = Path(__file__).resolve().parent.parent

chdir = str(PROJECT)
bind = os.environ.get("ROUNDBOOK_BIND", "127.0.0.1:8080")
worker_class = "gthread"
workers = int(os.environ.get("ROUNDBOOK_WEB_PROCESSES", "3"))
threads = int(os.environ.get("ROUNDBOOK_WEB_THREADS", "4"))
worker_tmp_dir = "/dev/shm"  # noqa: S108 - the heartbeat's file, made unnamed; a slow disk would look like a hang
# A process is renewed after so many requests, at different times, so that no leak lasts.
max_requests = 2000
max_requests_jitter = 200
timeout = 120
# Told to stop, it answers what it has begun; the proxy, systemd and compose wait longer than this.
graceful_timeout = 30
keepalive = 5
# Nobody steers it but its own master's signals.
control_socket_disable = True
# Longer lines and larger heads are refused before anything of ours runs (the proxy refuses them earlier still).
limit_request_line = 8190
limit_request_fields = 60
limit_request_field_size = 8190
accesslog = "-"
access_log_format = '%({x-forwarded-for}i)s "%(m)s %(U)s" %(s)s %(B)s bytes %(M)s ms'


def on_starting(server: object) -> None:
    """Refuse to serve pages without their style sheets: those are collected once for each version."""
    if (
        os.environ.get("ROUNDBOOK_ENV") == "production"
        and not (PROJECT / "staticfiles" / "staticfiles.json").exists()
    ):
        sys.exit(
            "The style sheets and scripts are not collected. Run: python manage.py collectstatic --no-input"
        )
