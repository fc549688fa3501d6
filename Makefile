# Roundbook's front door. Every target is one call of tools/dev.py; pass options in ARGS, e.g.
#   make test ARGS="tests/results -k cutoff"
PYTHON ?= python3
ARGS ?=

.DEFAULT_GOAL := help
.NOTPARALLEL:
.PHONY: help demo demo-one-desk demo-reset stop setup test test-second test-production image-trial lint format types migrations-check deploy-check campaign measure clean

help:
	@echo "make demo              set up and start the demo; stop with Ctrl-C"
	@echo "make demo-one-desk     a small demo: a clinic of one desk; ARGS=reset starts it over"
	@echo "make demo-reset        delete the demo's data and start over"
	@echo "make stop              end a demo left running, and its servers"
	@echo "make test              set up and run the tests"
	@echo "make test-second       the production shape, then a quick part of the tests, on this machine's own servers"
	@echo "make test-production   the production shape on this machine's own PostgreSQL, Redis and nginx"
	@echo "make image-trial       build the production image with Docker, Podman or Buildah, and try it"
	@echo "make lint              style, import contracts, templates"
	@echo "make format            lay the code out"
	@echo "make types             strict types"
	@echo "make migrations-check  models, migrations and settings agree"
	@echo "make deploy-check      the production files hold together"
	@echo "make campaign          the long tests"
	@echo "make measure           measure speed against bare limits"
	@echo "make setup             install what tests and tools need"
	@echo "make clean             remove caches"

demo demo-one-desk demo-reset stop setup test test-second test-production image-trial lint format types migrations-check deploy-check campaign measure clean:
	@$(PYTHON) tools/dev.py $@ $(ARGS)
