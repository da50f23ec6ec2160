#!/bin/sh
set -e
# Nothing is started that has no key: the unit's own condition says so as well.
[ "$1" = configure ] || exit 0
if [ -z "$DPKG_ROOT" ] && [ -d /run/systemd/system ]; then
  systemctl daemon-reload
  systemctl try-restart downweb-agent.service # after an upgrade, where it ran
fi
if [ ! -e "$DPKG_ROOT/var/lib/downweb-agent/keys/press.json" ] && [ ! -e "$DPKG_ROOT/var/lib/downweb-agent/keys/press.password" ]; then
  echo "downweb-agent is installed and not started: see /usr/share/doc/downweb-agent/README.md"
fi
