"""The web container's health check: asks the page that tells whether this process can do its work."""

import http.client
import os
import sys


def main() -> int:
    """Zero when the page answers 200, asked as the reverse proxy would."""
    host = os.environ.get("ROUNDBOOK_HOSTS", "localhost").split(",")[0].strip().lstrip(".")
    _address, _colon, port = os.environ.get("ROUNDBOOK_BIND", "127.0.0.1:8080").rpartition(":")
    line = http.client.HTTPConnection("127.0.0.1", int(port), timeout=5)
    try:
        line.request("GET", "/readyz", headers={"Host": host, "X-Forwarded-Proto": "https"})
        answer = line.getresponse()
        words = answer.read(300).decode(errors="replace")
    except OSError as error:
        words, answer = str(error), None
    finally:
        line.close()
    if answer is not None and answer.status == http.HTTPStatus.OK:
        return 0
    sys.stderr.write(words + "\n")
    return 1


if __name__ == "__main__":
    sys.exit(main())
