package walltime_test

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker/walltime"
)

// The reference rows are the IANA tz database as Python's zoneinfo reads it (see testdata/README.md): a reader that
// shares no code with Go's.
func TestAgainstTzDatabase(t *testing.T) { checkTz(t, "../../testdata/tz") }

// The whole reference set, where VIALWARD_DATA points to a copy of it.
func TestAgainstAllOfTzDatabase(t *testing.T) {
	dir := os.Getenv("VIALWARD_DATA")
	if dir == "" {
		t.Log("VIALWARD_DATA is not set: the short copy in testdata/tz was checked")
		return
	}
	checkTz(t, filepath.Join(dir, "tz"))
}

func checkTz(t *testing.T, dir string) {
	moved := checkTransitions(t, dir)
	skip := func(name string, at time.Time) bool { return moved[name+at.Format(" 2006")] }
	checked := 0
	for _, r := range read(t, filepath.Join(dir, "wall_times.tsv")) {
		z, fold0, fold1 := zone(t, r["zone"]), instant(t, r["epoch_fold0"]), instant(t, r["epoch_fold1"])
		if skip(r["zone"], fold0) {
			continue
		}
		l, err := time.Parse("2006-01-02T15:04:05", r["local"])
		require.NoError(t, err)
		got := walltime.Resolve(walltime.Of(l, time.UTC), z)
		kind := map[string]walltime.Kind{"plain": walltime.Plain, "gap": walltime.Missing, "overlap": walltime.Twice}[r["kind"]]
		first, last := fold0, fold1
		if kind == walltime.Missing { // fold 0 reads a missing time with the offset before the change: the later instant
			first, last = fold1, fold0
		}
		require.Equal(t, kind, got.Kind, r)
		require.Equal(t, first, got.First, r)
		require.Equal(t, last, got.Last, r)
		checked++
	}
	for _, r := range read(t, filepath.Join(dir, "beyond_use.tsv")) {
		made, elapsed, calendar := instant(t, r["made_epoch"]), instant(t, r["elapsed_epoch"]), instant(t, r["calendar_epoch"])
		if skip(r["zone"], made) {
			continue
		}
		n, err := strconv.Atoi(r["days"])
		require.NoError(t, err)
		want := elapsed
		if calendar.Before(elapsed) {
			want = calendar
		}
		require.Equal(t, want, walltime.AddDays(made, n, zone(t, r["zone"])), r)
		checked++
	}
	require.Greater(t, checked, 300)
}

// checkTransitions compares each change with this machine's tz data. Governments move changes that were still to come
// when the rows were made, so one of 2026 or later that differs is logged, and its zone and year left out of the rest;
// a past one that differs is a fault.
func checkTransitions(t *testing.T, dir string) (moved map[string]bool) {
	moved = map[string]bool{}
	for _, r := range read(t, filepath.Join(dir, "transitions.tsv")) {
		z, at := zone(t, r["zone"]), instant(t, r["at_epoch"])
		_, before := at.Add(-time.Second).In(z).Zone()
		_, after := at.In(z).Zone()
		if strconv.Itoa(before) == r["offset_before_s"] && strconv.Itoa(after) == r["offset_after_s"] {
			continue
		}
		require.GreaterOrEqual(t, at.Year(), 2026, "%v: this machine's tz data says %d -> %d", r, before, after)
		t.Logf("this machine's tz data has moved the change %v", r)
		moved[r["zone"]+at.Format(" 2006")] = true
	}
	return moved
}

// read gives the rows of a tab-separated file by the names in its first line.
func read(t *testing.T, path string) (rows []map[string]string) {
	f, err := os.Open(path)
	require.NoError(t, err)
	defer f.Close()
	c := csv.NewReader(f)
	c.Comma = '\t'
	all, err := c.ReadAll()
	require.NoError(t, err)
	for _, line := range all[1:] {
		r := map[string]string{}
		for i, name := range all[0] {
			r[name] = line[i]
		}
		rows = append(rows, r)
	}
	return rows
}

func instant(t *testing.T, epoch string) time.Time {
	s, err := strconv.ParseInt(epoch, 10, 64)
	require.NoError(t, err)
	return time.Unix(s, 0).UTC()
}
