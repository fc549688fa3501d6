"""The web container's health check: asks the page that tells whether the process serves."""

import http.client
import os
import sys

PORT = 8080


def main() -> int:
    """Zero when the page answers 200, as the reverse proxy would ask for it."""
    host = os.environ.get("ROUNDBOOK_HOSTS", "localhost").split(",")[0].strip().lstrip(".")
    line = http.client.HTTPConnection("127.0.0.1", PORT, timeout=5)
    try:
        line.request("GET", "/livez", headers={"Host": host, "X-Forwarded-Proto": "https"})
        return 0 if line.getresponse().status == http.HTTPStatus.OK else 1
    except OSError as error:
        sys.stderr.write(f"{error}\n")
        return 1
    finally:
        line.close()


if __name__ == "__main__":
    sys.exit(main())
