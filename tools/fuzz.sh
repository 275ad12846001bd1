#!/usr/bin/env bash
# Fuzzes every target of the repository for a while: fuzz.sh TIME, for example
# fuzz.sh 3s. What it finds lands in the package's testdata/fuzz: commit it.
set -euo pipefail
time=$1
said=$(mktemp)
trap 'rm -f "$said"' EXIT

fuzz() { go test -run '^$' -fuzz "^$1\$" -fuzztime "$time" "$2" >"$said" 2>&1; }

# The go command may take the end of the fuzzing time for a failure of the
# target ("context deadline exceeded", with no input to blame): that target is
# fuzzed once more.
late() { grep -q 'context deadline exceeded' "$said" && ! grep -q 'Failing input' "$said"; }

n=0
while IFS=: read -r file name; do
	n=$((n + 1))
	package=./$(dirname "${file#./}")
	if ! fuzz "$name" "$package" && ! { late && fuzz "$name" "$package"; }; then
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
