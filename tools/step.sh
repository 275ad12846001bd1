#!/usr/bin/env bash
# Runs a step of the checks: step.sh NAME COMMAND [ARGUMENT...]. Prints its name
# before and its time after.
set -euo pipefail
name=$1
shift
printf '\n== %s\n' "$name"
SECONDS=0
if "$@"; then
	printf '== %s: passed in %d s\n' "$name" "$SECONDS"
else
	code=$?
	printf '== %s: FAILED after %d s\n' "$name" "$SECONDS" >&2
	exit "$code"
fi
