# One image for web, worker, beat and migrate; docker-compose.yml says which is which.
FROM python:3.13-slim AS build

ENV PIP_DISABLE_PIP_VERSION_CHECK=1 PIP_NO_CACHE_DIR=1
RUN python -m venv /opt/venv
COPY requirements/run.txt /tmp/run.txt
RUN /opt/venv/bin/pip install --require-hashes -r /tmp/run.txt


FROM python:3.13-slim

ENV PATH=/opt/venv/bin:$PATH \
    PYTHONUNBUFFERED=1 \
    PYTHONDONTWRITEBYTECODE=1 \
    STATIC_DIR=/opt/static \
    VAR_DIR=/var/lib/wornproof
RUN groupadd --gid 10001 wornproof \
    && useradd --uid 10001 --gid wornproof --no-create-home --shell /usr/sbin/nologin wornproof \
    && install --directory --owner=wornproof --group=wornproof /var/lib/wornproof
COPY --from=build /opt/venv /opt/venv
WORKDIR /app
COPY manage.py ./
COPY labsite labsite
COPY specimens specimens
COPY trials trials
COPY reports reports
COPY fixtures fixtures
# The key that this step makes for itself lives and dies in its own folder. Compressed once here,
# static files cost the web process nothing later.
RUN VAR_DIR=/tmp/build python manage.py collectstatic --noinput --verbosity 0 \
    && python -m whitenoise.compress --quiet /opt/static \
    && rm -rf /tmp/build
USER wornproof
EXPOSE 8000
CMD ["python", "manage.py", "serve", "--host", "0.0.0.0", "--port", "8000"]
