#!/usr/bin/env bash
# Installs what the build needs and this machine lacks: a C linker, ALSA's headers, a Rust toolchain.
set -euo pipefail
apt_install() {
  if ! command -v apt-get >/dev/null; then
    echo "please install: $*" >&2
    exit 1
  fi
  local sudo=""
  [ "$(id -u)" = 0 ] || sudo="sudo"
  $sudo apt-get update -qq
  DEBIAN_FRONTEND=noninteractive $sudo apt-get install -y --no-install-recommends "$@"
}
command -v cc >/dev/null || apt_install gcc libc6-dev
# The microphone is reached through ALSA, whose headers the build looks up with pkg-config.
if [ "$(uname -s)" = Linux ] && ! pkg-config --exists alsa 2>/dev/null; then
  apt_install libasound2-dev pkg-config
fi
if ! command -v cargo >/dev/null; then
  [ -x "$HOME/.cargo/bin/cargo" ] && export PATH="$HOME/.cargo/bin:$PATH"
fi
if ! command -v cargo >/dev/null; then
  if apt-cache show rustup >/dev/null 2>&1; then
    apt_install rustup
  else
    # Older systems do not package it: the installer of the Rust project.
    command -v curl >/dev/null || apt_install curl ca-certificates
    curl --proto '=https' --tlsv1.2 -sSf https://sh.rustup.rs | sh -s -- -y --profile minimal
    export PATH="$HOME/.cargo/bin:$PATH"
  fi
fi
# rustup may be there without a toolchain of this user's.
if ! cargo --version >/dev/null 2>&1; then
  rustup default stable || {
    echo "no Rust toolchain could be set up: see https://www.rust-lang.org/tools/install" >&2
    exit 1
  }
fi
want=$(sed -n 's/^rust-version = "\(.*\)"/\1/p' "$(dirname "$0")/../Cargo.toml")
have=$(cargo --version | cut -d' ' -f2)
if [ "$(printf '%s\n%s\n' "$want" "$have" | sort -V | head -n1)" != "$want" ]; then
  echo "cargo $have is too old: cotside needs Rust $want or later (rustup update stable)" >&2
  exit 1
fi
