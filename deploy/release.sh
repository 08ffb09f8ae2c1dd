#!/usr/bin/env bash
# Builds a release into DIR: for linux on amd64 and arm64 an archive with the static binary and deploy/, a bill of materials
# of each binary (CycloneDX), and SHA256SUMS. The same source and Go version give the same bytes anywhere.
# With podman or buildah, and the base image at hand, IMAGE=1 adds the container image as an archive for `docker load`.
#
#   deploy/release.sh VERSION DIR          VERSION as in deploy/CHANGELOG.md, without v; DIR outside the project
set -euo pipefail
version="${1:?usage: deploy/release.sh VERSION DIR}"
[[ "$version" =~ ^[0-9]+\.[0-9]+\.[0-9]+(-[0-9a-z.]+)?$ ]] || { echo "VERSION is not like 1.2.3 or 1.2.3-rc.1" >&2; exit 2; }
out="$(mkdir -p "${2:?usage: deploy/release.sh VERSION DIR}" && cd "$2" && pwd)"
cd "$(dirname "$0")/.."
grep -q "^## $version\b" deploy/CHANGELOG.md || { echo "deploy/CHANGELOG.md has no section $version" >&2; exit 1; }
if [ -n "$(git status --porcelain)" ]; then echo "there are changes that are not committed" >&2; exit 1; fi

work="$(mktemp -d)"
trap 'rm -rf "$work"' EXIT
# What decides the bytes, and nothing of this machine. The last commit's time stands for the release's.
export CGO_ENABLED=0 GOOS=linux GOAMD64=v1 GOARM64=v8.0 GOFLAGS=-mod=readonly
moment="@$(git log -1 --format=%ct)"
# Built for this machine, before GOOS speaks of the other.
env -u GOOS GOBIN="$work" go install -trimpath github.com/CycloneDX/cyclonedx-gomod/cmd/cyclonedx-gomod@v1.9.0

for arch in amd64 arm64; do
  name="pupilrisk-$version-linux-$arch"
  mkdir "$work/$name"
  GOARCH="$arch" go build -trimpath -buildvcs=false -tags timetzdata -ldflags "-s -w -buildid= -X main.version=$version" -o "$work/$name/pupilrisk" ./cmd/pupilrisk
  go version -m "$work/$name/pupilrisk" >"$out/$name.modules.txt"
  sed -i "1s|^.*: |pupilrisk: |" "$out/$name.modules.txt"
  "$work/cyclonedx-gomod" bin -json -noserial -version "$version" -output "$out/$name.cdx.json" "$work/$name/pupilrisk" 2>/dev/null
  # The moment of building is no part of what was built.
  sed -i '/^ *"timestamp": /d' "$out/$name.cdx.json"
  git archive HEAD README.md deploy | tar -x -C "$work/$name"
  tar --sort=name --mtime="$moment" --owner=0 --group=0 --numeric-owner --mode=go-w -C "$work" -cf - "$name" | gzip -n -9 >"$out/$name.tar.gz"
done

if [ -n "${IMAGE:-}" ]; then
  tool="$(command -v podman || command -v buildah)"
  "$tool" build -f deploy/container/Containerfile --build-arg VERSION="$version" --timestamp "${moment#@}" -t "pupilrisk:$version" .
  "$tool" push "pupilrisk:$version" "docker-archive:$out/pupilrisk-$version-image.tar:pupilrisk:$version"
fi

(cd "$out" && sha256sum pupilrisk-"$version"-* >SHA256SUMS && cat SHA256SUMS)
