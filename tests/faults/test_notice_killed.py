"""kill -9 while a notice is with the doctor's system: it lies there once, and the registry comes to know that it does."""

import contextlib
import os
import signal
import time
from datetime import timedelta

import pytest
from celery import Celery

from outreach.models import Notice
from outreach.services.notices import LEASE, notices_send
from staff import clock
from staff.models import User
from tests.fhir.receiver import receiving
from tests.fhir.test_notices import a_copy, takes
from tests.journeys.stack import Stack

pytestmark = [pytest.mark.stack, pytest.mark.timeout(180)]


def test_a_worker_killed_between_giving_and_knowing(own_stack: Stack) -> None:
    with receiving() as doctor:
        takes(doctor)
        letter = a_copy("3.0")
        doctor.mode = "holds"
        own_stack.start("worker", "celery", "-A", "config", "worker", "--pool", "solo", "-l", "INFO")
        with Celery(broker=own_stack.redis) as bell:
            bell.send_task("outreach.notices")
        assert doctor.arrived.wait(60), (own_stack.logs / "worker.log").read_text()
        worker = own_stack.processes["worker"]
        with contextlib.suppress(ProcessLookupError):
            os.killpg(worker.pid, signal.SIGKILL)
        worker.wait(10)
        notice = Notice.objects.get()
        assert (notice.state, notice.attempts, notice.reference) == ("waiting", 1, f"RBN-{letter.pk}")
        assert notice.claimed_until is not None
        doctor.mode = "takes"
        doctor.go_on.set()
        time.sleep(0.1)
        with clock.at(notice.claimed_until - timedelta(seconds=1)):
            assert not notices_send(by=User.objects.system())
        with clock.at(notice.claimed_until + LEASE):
            assert notices_send(by=User.objects.system()) == {"taken": 1}
        assert (len(doctor.heard), len(doctor.kept)) == (2, 1)
        assert list(Notice.objects.get().tries.values_list("nth", "taken")) == [(1, False), (2, True)]
