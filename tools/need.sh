#!/usr/bin/env bash
# Installs what is missing. Each argument is COMMAND=PACKAGE or FILE=PACKAGE:
# where the command (or the file, if it begins with a slash) isn't there, the
# Debian package is installed. Asks for nothing.
set -euo pipefail

missing=()
for want in "$@"; do
	probe=${want%%=*} package=${want#*=}
	case $probe in
	/*) [ -e "$probe" ] || missing+=("$package") ;;
	*) command -v "$probe" >/dev/null 2>&1 || missing+=("$package") ;;
	esac
done
[ ${#missing[@]} -eq 0 ] && exit 0

echo "installing: ${missing[*]}"
if ! command -v apt-get >/dev/null 2>&1; then
	echo "tools/need.sh: no apt-get here: install these, or what your system calls them, and run make again: ${missing[*]}" >&2
	exit 1
fi
as_root=()
if [ "$(id -u)" -ne 0 ]; then
	if ! command -v sudo >/dev/null 2>&1; then
		echo "tools/need.sh: not root and no sudo: have these packages installed and run make again: ${missing[*]}" >&2
		exit 1
	fi
	as_root=(sudo)
fi
export DEBIAN_FRONTEND=noninteractive
"${as_root[@]}" apt-get update -qq
"${as_root[@]}" env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "${missing[@]}"
