package local

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// binaries is one installed Postgres.
type binaries struct {
	postgres, initdb string
	major            int
}

// packaged is where Debian and its relatives put each major version.
const packaged = "/usr/lib/postgresql/*/bin"

// version reads `postgres (PostgreSQL) 15.18 (Debian ...)`; 17beta1 is major 17.
var version = regexp.MustCompile(`\(PostgreSQL\) (\d+)`)

// find picks the installed Postgres of that major version, or the newest for 0.
func find(ctx context.Context, major int, data string) (binaries, error) {
	var found []binaries
	pick := func() (binaries, bool) {
		slices.SortStableFunc(found, func(a, b binaries) int { return b.major - a.major })
		i := slices.IndexFunc(found, func(b binaries) bool { return major == 0 || b.major == major })
		if i < 0 {
			return binaries{}, false
		}
		return found[i], true
	}
	dirs, _ := filepath.Glob(packaged) // errs on a bad pattern only
	for _, look := range []func() []string{
		func() []string { return dirs },
		func() []string { return elsewhere(ctx) }, // pg_config can be a slow script: asked only where it matters
	} {
		for _, dir := range look() {
			if b, ok := installed(ctx, dir); ok {
				found = append(found, b)
			}
		}
		if b, ok := pick(); ok {
			return b, nil
		}
	}
	if len(found) == 0 {
		return binaries{}, fmt.Errorf("no Postgres is installed (looked for postgres and initdb in %s, pg_config"+
			" --bindir and PATH): install it (Debian: apt-get install postgresql), or give the address of a database",
			packaged)
	}
	var have []string
	for _, b := range found {
		have = append(have, strconv.Itoa(b.major))
	}
	return binaries{}, fmt.Errorf("%s was made by Postgres %d, and installed is %s: install version %d (Debian:"+
		" apt-get install postgresql-%d) and, to move on, dump from it and restore into a new state folder",
		data, major, strings.Join(have, ", "), major, major)
}

// elsewhere lists folders that are not Debian's.
func elsewhere(ctx context.Context) []string {
	var dirs []string
	if out, err := exec.CommandContext(ctx, "pg_config", "--bindir").Output(); err == nil {
		dirs = append(dirs, strings.TrimSpace(string(out)))
	}
	if p, err := exec.LookPath("postgres"); err == nil {
		if p, err = filepath.EvalSymlinks(p); err == nil { // initdb lies beside the real one, not beside its link
			dirs = append(dirs, filepath.Dir(p))
		}
	}
	return dirs
}

// installed asks the postgres in dir for its version; false where it or its initdb is missing or does not run.
func installed(ctx context.Context, dir string) (binaries, bool) {
	b := binaries{postgres: filepath.Join(dir, "postgres"), initdb: filepath.Join(dir, "initdb")}
	if _, err := os.Stat(b.initdb); err != nil {
		return b, false
	}
	out, err := exec.CommandContext(ctx, b.postgres, "--version").Output()
	if err != nil {
		return b, false
	}
	m := version.FindSubmatch(out)
	if m == nil {
		return b, false
	}
	b.major, err = strconv.Atoi(string(m[1]))
	return b, err == nil
}
