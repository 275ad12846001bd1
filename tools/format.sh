#!/usr/bin/env bash
# Fails when gofmt would change a file.
set -euo pipefail
bad=$(find . -name '*.go' -not -path './.cache/*' -not -path '*/node_modules/*' -print0 | xargs -0 gofmt -l)
if [ -n "$bad" ]; then
	printf 'gofmt would change these; run gofmt -w on them:\n%s\n' "$bad" >&2
	exit 1
fi
