# The services, from requirements/run.lock. Build: docker build -t gomphosis:0.1.0 .
FROM python:3.12-slim AS build
ENV PIP_NO_CACHE_DIR=1 PIP_DISABLE_PIP_VERSION_CHECK=1 PIP_NO_INPUT=1
RUN python -m venv /opt/gomphosis
WORKDIR /src
# The lock first: this layer is made again only when a dependency changes.
COPY requirements/run.lock requirements/
RUN /opt/gomphosis/bin/pip install --no-deps --require-hashes --requirement requirements/run.lock
COPY pyproject.toml README.md LICENSE ./
COPY schemas schemas
COPY services services
RUN /opt/gomphosis/bin/pip install --no-deps .

FROM python:3.12-slim
LABEL org.opencontainers.image.title="gomphosis" \
    org.opencontainers.image.licenses="Apache-2.0"
# pg_dump and pg_restore for gomphosis backup and restore: not older than the server.
RUN apt-get update \
    && apt-get install --yes --no-install-recommends postgresql-client \
    && rm -rf /var/lib/apt/lists/*
# A number of its own, so that a volume belongs to the same user on every host.
RUN groupadd --gid 10001 gomphosis \
    && useradd --uid 10001 --gid 10001 --no-create-home --shell /usr/sbin/nologin gomphosis \
    && install -d -o gomphosis -g gomphosis -m 0750 /var/lib/gomphosis \
    && install -d -m 0755 /etc/gomphosis/group
COPY --from=build /opt/gomphosis /opt/gomphosis
ENV PATH=/opt/gomphosis/bin:$PATH \
    PYTHONUNBUFFERED=1 \
    PYTHONDONTWRITEBYTECODE=1 \
    GOMPHOSIS_DATA_DIR=/var/lib/gomphosis \
    GOMPHOSIS_GROUP_DIR=/etc/gomphosis/group
USER 10001:10001
WORKDIR /var/lib/gomphosis
VOLUME /var/lib/gomphosis
# 11112 DICOM, 8080 HTTP intake, 8090 console, 9090 health and metrics
EXPOSE 11112 8080 8090 9090
STOPSIGNAL SIGTERM
HEALTHCHECK --interval=15s --timeout=5s --start-period=30s --retries=4 \
    CMD ["python", "-c", "import urllib.request as r; r.urlopen('http://127.0.0.1:9090/healthz', timeout=4)"]
ENTRYPOINT ["gomphosis"]
CMD ["--help"]
