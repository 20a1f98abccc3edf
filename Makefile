# Rollcall. `make demo` does the main job, `make test` runs the tests.
# Needs Go, npm and a Debian-like system; everything else is fetched by name.

SHELL := /bin/bash
GO ?= go
TOOL := $(GO) tool -modfile=deploy/tools/go.mod
ENGINE := deploy/engine/node_modules/.package-lock.json
TYPES := dashboards/grafana/typecheck/node_modules/.package-lock.json
AXE := dashboards/pages/browsertest/node_modules/.package-lock.json
# Flags for `make test`, e.g. TESTFLAGS=-race, and the packages it tests
TESTFLAGS ?=
PACKAGES ?= ./...
# Flags for `make demo`, e.g. DEMOFLAGS="--weeks 26 --continue"; see `bin/demo --help`
DEMOFLAGS ?=
# Flags for `make verdicts`, e.g. VERDICTFLAGS="--fleets 20"; see `go run ./deploy/verdicts --help`
VERDICTFLAGS ?=

.PHONY: all build engine types browsertest demo test bench verdicts lint generate check-generated fmt clean

all: build

# engine installs the pinned ClickHouse engine, once.
engine: $(ENGINE)
$(ENGINE): deploy/engine/package.json deploy/engine/package-lock.json
	cd deploy/engine && npm ci --ignore-scripts --no-audit --no-fund
	@touch $@

# types installs Grafana's published types and the compiler that checks the dashboards against them, once.
types: $(TYPES)
$(TYPES): dashboards/grafana/typecheck/package.json dashboards/grafana/typecheck/package-lock.json
	cd dashboards/grafana/typecheck && npm ci --ignore-scripts --no-audit --no-fund
	@touch $@

# browsertest installs axe-core, which looks the pages over, once.
browsertest: $(AXE)
$(AXE): dashboards/pages/browsertest/package.json dashboards/pages/browsertest/package-lock.json
	cd dashboards/pages/browsertest && npm ci --ignore-scripts --no-audit --no-fund
	@touch $@

build:
	CGO_ENABLED=0 $(GO) build -trimpath -o bin/ ./services/cmd/rollcall ./agent/cmd/rollcell ./deploy/demo

# demo plays half a year of an invented chain through real agents, service and engine.
demo: engine build
	@bin/demo $(DEMOFLAGS)

test: engine types browsertest
	ROLLCALL_REQUIRE_ENGINE=1 $(GO) test $(TESTFLAGS) $(PACKAGES)

# bench prints the figures of README.md, measured in one run.
bench: engine build
	$(GO) run ./deploy/bench

# verdicts prints how good the verdicts are on invented fleets whose truth is known.
verdicts:
	$(GO) run ./deploy/verdicts $(VERDICTFLAGS)

# proto/released.binpb is the contract as last released; what is on the wire must
# stay readable with it. It is renewed with each release, and only then:
# cd proto && go tool -modfile=../deploy/tools/go.mod buf build -o released.binpb
lint:
	@unformatted=$$(gofmt -l agent dashboards deploy proto services); test -z "$$unformatted" || { echo "run gofmt on:"; echo "$$unformatted"; exit 1; }
	$(GO) vet ./...
	$(TOOL) staticcheck ./...
	cd proto && $(GO) tool -modfile=../deploy/tools/go.mod buf lint
	cd proto && $(GO) tool -modfile=../deploy/tools/go.mod buf breaking --against released.binpb

# generate makes the Go code of proto/ anew.
generate:
	cd proto && $(GO) tool -modfile=../deploy/tools/go.mod buf generate

# check-generated fails when the committed Go code of proto/ is not what the .proto files give.
check-generated: generate
	git diff --exit-code -- proto

clean:
	rm -rf bin demo-data
