# Needs: Linux, make, Python 3.11 or newer. `make help` lists the targets.

PYTHON_CHECKED := schemas services demo tests
PYTEST_ARGS ?=
# Each worker starts servers of its own. They wait for each other a lot: two for each core.
TEST_WORKERS ?= 4
FUZZ_ARGS ?=
MUTANTS_ARGS ?=
PROMISES_ARGS ?=
FAULTS_ARGS ?=
BIN := .venv/bin
# Relative to requirements/: lock name and the extras it holds.
LOCK := uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-emit-index-url \
	--no-emit-find-links --custom-compile-command "make lock" pyproject.toml

.DEFAULT_GOAL := help
.PHONY: help demo evening test drills check lock bench fuzz mutants promises faults sbom audit clean environment

help: ## list the targets
	@grep -E '^[a-z]+:.*## ' $(MAKEFILE_LIST) | sed -E 's/:.*## /\t/' | expand -t 14

demo: ## run an invented day at one hospital (no root, no server needed)
	@tests/provision.sh environment run
	@$(BIN)/python -m demo

evening: ## run a day at three hospitals with planted troubles; ends in demo/out/evening.html
	@tests/provision.sh environment run
	@$(BIN)/python -m demo.evening

test: ## run all tests on private servers; as root on Debian installs what they need
	@tests/provision.sh servers
	@tests/provision.sh environment dev
	@tests/with_scratch.sh $(BIN)/python -m pytest -n $(TEST_WORKERS) --dist worksteal -m "not drill" $(PYTEST_ARGS)

drills: ## run the long tests: kills all day, an hour of probes, restores, hostile text on every page
	@tests/provision.sh servers
	@tests/provision.sh environment dev
	@tests/with_scratch.sh $(BIN)/python -m pytest -m drill $(PYTEST_ARGS)

check: ## lint, format, types, direction of imports, exported schemas
	@tests/provision.sh environment dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/python -m schemas.export --check

lock: ## solve the dependencies anew into requirements/ (UPGRADE=--upgrade takes newer ones)
	@command -v uv >/dev/null || { echo "error: uv is missing: pip install uv" >&2; exit 1; }
	$(LOCK) $(UPGRADE) --output-file requirements/run.lock
	$(LOCK) $(UPGRADE) --extra dev --output-file requirements/dev.lock
	$(LOCK) $(UPGRADE) --extra dev --extra bench --output-file requirements/bench.lock
	$(LOCK) $(UPGRADE) --extra dev --extra mutation --output-file requirements/mutation.lock
	$(LOCK) $(UPGRADE) --extra supply --output-file requirements/supply.lock

bench: ## measure against the peers, in an environment of its own
	@tests/provision.sh servers
	@tests/provision.sh environment bench
	@build/bench-venv/bin/python -m tests.bench

fuzz: ## feed every parser 100,000 mutated inputs (FUZZ_ARGS="--only NAME --seconds N"); slow
	@tests/provision.sh environment dev
	@$(BIN)/python -m tests.fuzz $(FUZZ_ARGS)

mutants: ## put small faults into the pure core, a test must fail for each (MUTANTS_ARGS="--sample N --seed N")
	@tests/provision.sh environment mutation
	@nice -n 19 build/mutation-venv/bin/python -m tests.mutants $(MUTANTS_ARGS)

promises: ## break each promise in a scratch copy and see its test fail (PROMISES_ARGS="--only WORD")
	@tests/provision.sh servers
	@tests/provision.sh environment dev
	@$(BIN)/python -m tests.promises $(PROMISES_ARGS)

faults: ## break everything at random under load (FAULTS_ARGS="--seed N --studies N --faults N"); hours
	@tests/provision.sh servers
	@tests/provision.sh environment dev
	@$(BIN)/python -m tests.faults $(FAULTS_ARGS)

sbom: ## list every dependency as CycloneDX 1.6 in build/sbom.json
	@tests/provision.sh environment supply
	@build/supply-venv/bin/cyclonedx-py requirements --output-reproducible --spec-version 1.6 \
		--output-format JSON --validate --pyproject pyproject.toml --mc-type application \
		--output-file build/sbom.json requirements/run.lock
	@echo "build/sbom.json"

audit: ## ask for known vulnerabilities of the locked dependencies; needs the network
	@tests/provision.sh environment supply
	@build/supply-venv/bin/pip-audit --require-hashes --disable-pip --requirement requirements/run.lock

environment: ## make .venv for developing
	@tests/provision.sh environment dev

clean: ## remove what was built or cached, but not .venv
	rm -rf build dist *.egg-info demo/out tests/out .mypy_cache .ruff_cache .pytest_cache \
		.hypothesis .import_linter_cache .coverage htmlcov
	find schemas services demo tests -name __pycache__ -type d -prune -exec rm -rf {} +
