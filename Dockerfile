# The production image: locked libraries, text layout for letters, an unprivileged user.
# Another Debian 12 with Python 3.11 as `python` may stand in: --build-arg BASE=…
ARG BASE=python:3.11-slim-bookworm
FROM ${BASE} AS libraries
COPY requirements/base.txt /tmp/base.txt
RUN python -m venv /opt/venv \
    && /opt/venv/bin/pip install --no-cache-dir --disable-pip-version-check --require-hashes -r /tmp/base.txt \
    && /opt/venv/bin/pip uninstall --yes --quiet setuptools pip \
    && find /opt/venv -type d -name tests -prune -exec rm -rf {} +

FROM ${BASE}
RUN apt-get update \
    && apt-get install -y --no-install-recommends \
        libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0 fonts-dejavu-core \
    && rm -rf /var/lib/apt/lists/* /var/cache/apt/* \
    && useradd --system --uid 10001 --no-create-home --shell /usr/sbin/nologin roundbook
COPY --from=libraries /opt/venv /opt/venv
ENV PATH=/opt/venv/bin:$PATH PYTHONUNBUFFERED=1 PYTHONDONTWRITEBYTECODE=1 \
    DJANGO_SETTINGS_MODULE=config.settings ROUNDBOOK_ENV=production HOME=/tmp XDG_CACHE_HOME=/tmp/cache
WORKDIR /app
COPY . /app
# Compiled here, since nothing may be written while it runs. The values are for this one command and stay out of the image.
RUN mkdir -p /app/.run && chown roundbook /app/.run \
    && python -m compileall -q --invalidation-mode unchecked-hash /app \
    && ROUNDBOOK_SECRET_KEY=only-while-the-image-is-built-nothing-is-signed-with-it-0123456789 \
       ROUNDBOOK_HOSTS=localhost ROUNDBOOK_PROXIES=1 \
       DATABASE_URL=postgres://nobody@localhost/none REDIS_URL=redis://localhost \
       python manage.py collectstatic --no-input --verbosity 0
USER roundbook
EXPOSE 8080
ENV ROUNDBOOK_BIND=0.0.0.0:8080
CMD ["deploy/bin/web"]
