#!/usr/bin/env bash
# Makes sure of Node 20.19 or newer, which the page's build needs (the daemon
# doesn't).
set -euo pipefail
"$(dirname "$0")/need.sh" node=nodejs npm=npm
if ! node -e 'const [a, b] = process.versions.node.split(".").map(Number); process.exit(a > 20 || (a === 20 && b >= 19) ? 0 : 1)'; then
	echo "tools/node.sh: Node $(node --version) is too old to build the page: install Node 20.19 or newer and run make again" >&2
	exit 1
fi
