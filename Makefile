# Everything a developer types. On a fresh machine with Go: `make demo` runs the main job, `make test` runs all tests
# and installs what their outside checks need (Debian packages, as root or with sudo).

GO       ?= go
VERSION  ?= $(shell git describe --tags --always --dirty 2>/dev/null || echo development)
LDFLAGS   = -s -w -X main.version=$(VERSION)
STATICCHECK = honnef.co/go/tools/cmd/staticcheck@v0.8.2
TARGETS   = linux/amd64 linux/arm64 linux/386 windows/amd64 darwin/arm64
# What the outside checks run; every package by its Debian name.
PACKAGES  = flac sox libsox-fmt-mp3 lame vorbis-tools poppler-utils zbar-tools dosfstools p7zip-full \
            minimodem srecord z80asm sdcc-ucsim binutils chromium gcc libc6-dev
export CGO_ENABLED ?= 0

.PHONY: build demo test bench fuzz lint cross tools unit emulated

build: ## bin/remanence for this machine
	$(GO) build -trimpath -ldflags '$(LDFLAGS)' -o bin/ ./cmd/remanence

demo: build ## the main job on the built-in collection, offline, into out/demo
	./bin/remanence demo --out out/demo --force

test: tools lint unit emulated cross ## all checks: vet, staticcheck, race-enabled tests, cross-builds

unit:
	CGO_ENABLED=1 $(GO) test -race -timeout 60m ./...

emulated: ## the bench on an emulated PC with a real kernel's floppy driver
	./.ci/emulated-pc

lint:
	@out=$$(gofmt -l $$(git ls-files '*.go')); if [ -n "$$out" ]; then echo "gofmt would change: $$out"; exit 1; fi
	$(GO) vet ./...
	$(GO) run $(STATICCHECK) ./...

cross: ## all released targets, without cgo
	@for t in $(TARGETS); do echo "build $$t"; \
	  CGO_ENABLED=0 GOOS=$${t%/*} GOARCH=$${t#*/} GO386=softfloat $(GO) build -trimpath -ldflags '$(LDFLAGS)' -o /dev/null ./cmd/remanence || exit 1; done

tools: ## installs what the outside checks need, where it is missing
	@./.ci/tools $(PACKAGES) $$(command -v npm >/dev/null || echo npm)

bench: ## throughput of every hot path
	$(GO) test -run '^$$' -bench . -benchtime 1s ./...

fuzz: ## each fuzz target for a short while
	@for p in $$($(GO) list ./...); do \
	  for f in $$($(GO) test -list '^Fuzz' $$p | grep '^Fuzz'); do \
	    echo "$$p $$f"; $(GO) test -run '^$$' -fuzz "^$$f$$" -fuzztime $${FUZZTIME:-20s} -parallel 2 $$p || exit 1; done; done
