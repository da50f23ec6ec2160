#!/usr/bin/env bash
# Builds the agent's Debian packages by dpkg-deb: build.sh DIR [ARCH...], by default for amd64 and arm64, into DIR.
# VERSION names the version; without it the package is 0.0.0~dev. The same input gives the same bytes.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
[ $# -ge 1 ] || { echo "usage: build.sh DIR [amd64] [arm64]" >&2; exit 2; }
mkdir -p "$1"
out=$(cd "$1" && pwd)
shift
[ $# -gt 0 ] || set -- amd64 arm64
version="${VERSION:-0.0.0~dev}"
export SOURCE_DATE_EPOCH="${SOURCE_DATE_EPOCH:-$(git -C "$here" log -1 --format=%ct 2>/dev/null || echo 0)}"
cd "$here"
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
for arch in "$@"; do
  root="$work/$arch"
  doc="$root/usr/share/doc/downweb-agent"
  install -d -m 0755 "$root" "$root/DEBIAN"
  CGO_ENABLED=0 GOOS=linux GOARCH="$arch" go build -trimpath -tags grpcnotrace -ldflags '-s -w' -o "$work/downweb-agent" ../../cmd/downweb-agent
  install -D -m 0755 "$work/downweb-agent" "$root/usr/bin/downweb-agent"
  install -D -m 0644 agent.yaml "$root/etc/downweb/agent.yaml"
  install -D -m 0644 downweb-agent.service "$root/usr/lib/systemd/system/downweb-agent.service"
  install -D -m 0644 -t "$doc" README.md
  install -D -m 0644 ../../LICENSE "$doc/copyright"
  install -D -m 0644 -t "$doc/examples" ../machines/*.yaml
  for script in postinst prerm postrm; do
    install -m 0755 "$script.sh" "$root/DEBIAN/$script"
  done
  echo /etc/downweb/agent.yaml >"$root/DEBIAN/conffiles"
  (cd "$root" && find usr etc -type f -print0 | LC_ALL=C sort -z | xargs -0 md5sum >DEBIAN/md5sums)
  cat >"$root/DEBIAN/control" <<CONTROL
Package: downweb-agent
Version: $version
Architecture: $arch
Maintainer: The downweb authors <downweb@example.org>
Installed-Size: $(du -sk --apparent-size "$root/usr" "$root/etc" | awk '{n += $1} END {print n}')
Section: misc
Priority: optional
Description: takes the events of a web-fed press into the log of downweb
 One static program beside the press: reads files of events or the press's
 controller, keeps them on disk until the warehouse has them, and sends them.
 It never commands a press.
CONTROL
  find "$root" -exec touch --no-dereference --date="@$SOURCE_DATE_EPOCH" {} +
  dpkg-deb --root-owner-group -Zxz --build "$root" "$out/downweb-agent_${version}_$arch.deb"
done
