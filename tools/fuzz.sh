#!/usr/bin/env bash
# Fuzzes every target of the repository for a while: fuzz.sh TIME, for example
# fuzz.sh 3s. What it finds lands in the package's testdata/fuzz: commit it.
set -euo pipefail
time=$1
said=$(mktemp)
trap 'rm -f "$said"' EXIT
n=0
while IFS=: read -r file name; do
	n=$((n + 1))
	package=./$(dirname "${file#./}")
	if ! go test -run '^$' -fuzz "^$name\$" -fuzztime "$time" "$package" >"$said" 2>&1; then
		cat "$said"
		echo "tools/fuzz.sh: $package $name failed; run it again with: go test -run $name $package" >&2
		exit 1
	fi
	printf '%-16s %s\n' "$name" "$(tail -n 1 "$said")"
done < <(grep -rEo --include='*_test.go' --exclude-dir=node_modules --exclude-dir=.cache '^func Fuzz[A-Za-z0-9_]*' . | sed 's/func //' | sort)
if [ "$n" -eq 0 ]; then
	echo "tools/fuzz.sh: no fuzz target found: run it from the root of the repository" >&2
	exit 1
fi
echo "$n targets fuzzed for $time each"
