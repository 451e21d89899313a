# Sourced by demo and test: where things lie, and how what is missing gets installed.
set -euo pipefail

say() { printf '%s\n' "$*" >&2; }
fail() { say "$*"; exit 1; }

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
cd "$root"

# A bare shell (cron, chroot) may lack HOME, where Go and we keep things.
export HOME=${HOME:-$(getent passwd "$(id -u)" | cut -d: -f6)}

# State, sockets and what is built lie outside the clone.
if [ -z "${VIALWARD_STATE:-}" ]; then
	if [ "$(id -u)" = 0 ]; then VIALWARD_STATE=/var/lib/vialward; else VIALWARD_STATE=$HOME/.local/state/vialward; fi
fi
mkdir -p "$VIALWARD_STATE/bin" 2>/dev/null && [ -w "$VIALWARD_STATE/bin" ] ||
	fail "The state folder $VIALWARD_STATE cannot be written by $(id -un): set VIALWARD_STATE to a folder of yours."
VIALWARD_STATE=$(cd "$VIALWARD_STATE" && pwd) # a relative path would mean another folder elsewhere
export VIALWARD_STATE

if ! command -v go >/dev/null; then
	[ -x /usr/local/go/bin/go ] ||
		fail "Go is not installed (not on PATH, not in /usr/local/go/bin). Install the version go.mod names or a later one, see https://go.dev/doc/install, then run this again."
	export PATH=$PATH:/usr/local/go/bin
fi
# Of whoever owns the clone: git refuses to describe another user's, and Go would fail with it.
export GOFLAGS="${GOFLAGS:+$GOFLAGS }-buildvcs=false"

has() { command -v "$1" >/dev/null || [ -x "/usr/sbin/$1" ]; }
has_postgres() { compgen -G '/usr/lib/postgresql/*/bin/initdb' >/dev/null || has initdb; }

# install PACKAGE... installs Debian packages, and sees to it that none of them starts a service, now or at boot.
install() {
	[ $# -gt 0 ] || return 0
	local as=()
	if [ "$(id -u)" != 0 ]; then
		has sudo || fail "Missing: $*. Have them installed as root: apt-get install --no-install-recommends $*"
		as=(sudo)
	fi
	has apt-get || fail "Missing: $* (Debian's names). There is no apt-get here: install them your system's way, then run this again."
	say "Installing from Debian, without starting any service: $*"
	"${as[@]}" bash -s -- "$@" <<'AS_ROOT' >&2
set -euo pipefail
export DEBIAN_FRONTEND=noninteractive

# No Postgres cluster of the system's: ours is private.
conf=/etc/postgresql-common/createcluster.conf
if [ ! -e $conf ]; then
	mkdir -p "${conf%/*}"
	echo 'create_main_cluster = false' >$conf
fi

# Packages ask this file before they start a service. One that is there already is somebody's decision.
policy=/usr/sbin/policy-rc.d
if [ ! -e $policy ]; then
	trap 'rm -f $policy' EXIT
	printf '#!/bin/sh\nexit 101\n' >$policy
	chmod 755 $policy
fi

get() { apt-get -qq -o Dpkg::Use-Pty=0 -o Dpkg::Options::=--force-confold install -y --no-install-recommends "$@"; }
get "$@" </dev/null >/dev/null 2>&1 || { # once more, aloud: the lists were old, or not there
	apt-get -qq update </dev/null
	get "$@" </dev/null
}
for service in prometheus exim4; do
	case " $* " in *" $service"*)
		systemctl disable -q $service 2>/dev/null || update-rc.d $service disable 2>/dev/null || true # no init here
		;;
	esac
done
AS_ROOT
}

# modules [-test] PACKAGE... says so before Go fetches what go.mod lists; later runs need no network.
modules() {
	GOPROXY=off go list -deps "$@" >/dev/null 2>&1 ||
		say "Downloading the Go modules that go.mod lists into $(go env GOMODCACHE)"
}
