# make demo   build everything and watch burst tests on a simulated bench
# make test   install what the checks need, and run them all
# make help   the other targets

SHELL := /bin/bash
.SHELLFLAGS := -euo pipefail -c
.DEFAULT_GOAL := help
.DELETE_ON_ERROR:
MAKEFLAGS += --no-print-directory

GO ?= go
ARGS ?=
FUZZTIME ?= 3s
BENCH ?= .
BENCHTIME ?= 1s

WEB := dashboard/web
STEP := tools/step.sh
BIN := bin/ventward

# Tools of the checks, built once into a path keyed on what they are built from.
sum = $(shell sha256sum $(1) | cut -d ' ' -f 1)
TSDB := .cache/tsdb/$(call sum,tools/tsdb/go.sum)/influxd
LINT := .cache/lint/$(call sum,tools/lint/go.sum)/staticcheck
export VENTWARD_INFLUXD := $(CURDIR)/$(TSDB)

.PHONY: help
help: ## list the targets
	@awk -F ':.*## ' '/^[a-z-]+:.*## / { printf "  make %-14s %s\n", $$1, $$2 }' $(MAKEFILE_LIST)

.PHONY: demo
demo: build ## build and run the demo (ARGS="--shots 3 --seed 7")
	$(BIN) demo $(ARGS)

.PHONY: build
build: web ## build bin/ventward with its pages
	CGO_ENABLED=0 $(GO) build -trimpath -o $(BIN) ./cmd/ventward

# --- The page -----------------------------------------------------------------

.PHONY: web
web: $(WEB)/dist/index.html ## build the page

$(WEB)/node_modules/.package-lock.json: $(WEB)/package.json $(WEB)/package-lock.json
	tools/node.sh
	cd $(WEB) && npm ci --ignore-scripts --no-audit --no-fund
	touch $@

$(WEB)/dist/index.html: $(WEB)/node_modules/.package-lock.json $(wildcard $(WEB)/*.html $(WEB)/*.ts $(WEB)/*.json) $(shell find $(WEB)/src $(WEB)/public -type f 2>/dev/null)
	cd $(WEB) && npm run build
	touch $@

# --- Checks -------------------------------------------------------------------

.PHONY: test
test: ## every check; the quick ones first
	@$(STEP) "what the checks need" $(MAKE) needs
	@$(STEP) "format" tools/format.sh
	@$(STEP) "page: build" $(MAKE) web
	@$(STEP) "vet" $(GO) vet ./...
	@$(STEP) "static analysis" $(MAKE) lint
	@$(STEP) "page: unit tests" $(MAKE) test-web
	@$(STEP) "program: build" $(MAKE) build
	@$(STEP) "page: browser tests" $(MAKE) test-browser
	@$(STEP) "fuzz every decoder" $(MAKE) fuzz
	@$(STEP) "database server" $(MAKE) tsdb
	@printf '\n== tests with the race detector\n'
	@$(MAKE) test-go

.PHONY: needs
needs: ## install what the checks need, if it is missing
	@tools/need.sh chromium=chromium socat=socat strace=strace gcc=gcc /usr/include/stdio.h=libc6-dev /usr/include/modbus/modbus.h=libmodbus-dev /usr/lib/python3/dist-packages/scipy=python3-scipy pdftotext=poppler-utils Rscript=r-base-core
	@tools/node.sh

.PHONY: test-go
test-go: tsdb ## Go tests with the race detector: units, serial, InfluxDB, kill trials
	CGO_ENABLED=1 $(GO) test -race -timeout 20m $$($(GO) list ./... | grep -v '^ventward/cmd/ventward$$')
	CGO_ENABLED=1 $(GO) test -race -timeout 20m -run 'Engine|Serials|PanicMakesSafe|Import|AnalyzeFinds|AnalyzeRefuses' ./cmd/ventward
	$(GO) test -timeout 20m ./cmd/ventward # alone and at full speed: real processes in real time

.PHONY: test-web
test-web: $(WEB)/node_modules/.package-lock.json ## unit tests of the page
	cd $(WEB) && npm run --if-present test

.PHONY: test-browser
test-browser: build ## the page in a real Chromium
	cd $(WEB) && npm run --if-present e2e

.PHONY: lint
lint: $(LINT) ## static analysis
	$(LINT) ./...

.PHONY: fuzz
fuzz: ## fuzz every target (FUZZTIME=60s for longer)
	@tools/fuzz.sh $(FUZZTIME)

.PHONY: bench
bench: ## benchmarks (BENCH=Decode BENCHTIME=3s)
	$(GO) test -run '^$$' -bench '$(BENCH)' -benchtime $(BENCHTIME) -benchmem -timeout 60m ./...

# --- Tools, modules of their own ------------------------------------------------

.PHONY: tsdb
tsdb: $(TSDB) ## build the InfluxDB server that the tests use (minutes, once)

$(TSDB): tools/tsdb/go.mod tools/tsdb/go.sum
	mkdir -p $(@D)
	cd tools/tsdb && CGO_ENABLED=0 $(GO) build -trimpath -ldflags '-s -w' -o $(CURDIR)/$@ github.com/influxdata/influxdb/cmd/influxd
	touch $@

$(LINT): tools/lint/go.mod tools/lint/go.sum
	mkdir -p $(@D)
	cd tools/lint && CGO_ENABLED=0 $(GO) build -trimpath -o $(CURDIR)/$@ honnef.co/go/tools/cmd/staticcheck
	touch $@

.PHONY: clean
clean: ## remove what was built, but for the tools
	rm -rf bin $(WEB)/dist

.PHONY: distclean
distclean: clean ## remove the tools and the page's packages too
	rm -rf .cache $(WEB)/node_modules
