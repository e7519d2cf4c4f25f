#!/bin/sh
# What the tests need from Debian: a PostgreSQL server and Chromium. Installs them where that is possible, and
# otherwise says in one line what will be skipped and how to get it. With CI=true their absence is an error.
set -u

missing=""
ls /usr/lib/postgresql/*/bin/postgres >/dev/null 2>&1 || missing="$missing postgresql"
command -v chromium >/dev/null 2>&1 || missing="$missing chromium"
[ -z "$missing" ] && exit 0

if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then
    export DEBIAN_FRONTEND=noninteractive
    # shellcheck disable=SC2086  # a list of package names
    if apt-get update -q >/dev/null && apt-get install -q -y --no-install-recommends $missing fonts-dejavu-core >/dev/null; then
        exit 0
    fi
fi

echo "missing:$missing - the tests that need them are skipped; on Debian: apt-get install$missing"
[ "${CI:-}" = true ] && exit 1
exit 0
