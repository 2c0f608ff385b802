# Sourced by .ci/container and .ci/compose: the base image, and a way to start containers on this machine.
# work : their folder, which they remove at the end.
# shellcheck shell=bash
BASE="$(sed -n 's/^FROM \([^ ]*\)$/\1/p' ingest/deploy/Containerfile)"
export BASE
export STOOD_IN="cleanside.made-of=Debian's packages"
# Control groups of both versions at once, and limits that may not be raised, as machines within machines have them:
# crun starts nothing there, runc does with limits that are there.
if command -v runc >/dev/null && [[ -d /sys/fs/cgroup/unified ]]; then
  export CONTAINERS_CONF="${work:?}/containers.conf" # goes with what they made
  cat >"$CONTAINERS_CONF" <<TOML
[containers]
default_ulimits = ["nofile=8192:8192", "nproc=8192:8192"]
[engine]
runtime = "runc"
[network]
network_backend = "netavark"
TOML
fi
