# The image of the web processes, the workers, the timer and the migration: only the
# command differs (docker-compose.yml).
FROM python:3.13-slim-bookworm

# Pango lays out the text of the papers.
RUN apt-get update \
    && apt-get install --yes --no-install-recommends \
        libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0 \
    && rm -rf /var/lib/apt/lists/*

ENV PYTHONUNBUFFERED=1 \
    PYTHONDONTWRITEBYTECODE=1 \
    CASEWRIGHT_MODE=service \
    CASEWRIGHT_VAR=/var/lib/casewright \
    CASEWRIGHT_STATIC_ROOT=/app/static

RUN useradd --system --create-home casewright \
    && install --directory --owner casewright /var/lib/casewright /app/static

WORKDIR /app
COPY requirements.lock .
RUN pip install --no-cache-dir --require-hashes -r requirements.lock
COPY . .

USER casewright
# Gathering static files needs settings that start, but none of them is kept.
RUN SECRET_KEY=only-while-building \
    ALLOWED_HOSTS=localhost \
    CASEWRIGHT_SITE_URL=https://localhost \
    DATABASE_URL=sqlite:////tmp/none \
    CELERY_BROKER_URL=memory:// \
    CACHE_URL=dummycache:// \
    EMAIL_URL=dummymail:// \
    DEFAULT_FROM_EMAIL=nobody@localhost \
    python manage.py collectstatic --noinput

EXPOSE 8000
VOLUME /var/lib/casewright
CMD ["gunicorn", "wholesale.config.wsgi", "--bind", "0.0.0.0:8000", "--workers", "3", "--worker-tmp-dir", "/dev/shm", "--access-logfile", "-"]
