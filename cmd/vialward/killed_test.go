package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/alerts/mail"
	"vialward/db/dbtest"
)

// asVialward makes this test binary the program itself, so that it can be killed as one.
const asVialward = "VIALWARD_TEST_AS_PROGRAM"

func TestMain(m *testing.M) {
	if os.Getenv(asVialward) != "" {
		main()
	}
	os.Exit(m.Run())
}

// process is the daemon in a process of its own.
type process struct {
	*exec.Cmd
	url string
}

func startDaemon(t *testing.T, config string) *process {
	t.Helper()
	p := &process{Cmd: exec.CommandContext(context.Background(), os.Args[0], "--config", config, "daemon")}
	p.Env = append(os.Environ(), asVialward+"=1")
	p.Stderr = io.Discard
	out, err := p.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, p.Start())
	t.Cleanup(p.kill)
	line, err := bufio.NewReader(out).ReadString('\n')
	require.NoError(t, err)
	_, p.url, _ = strings.Cut(strings.TrimSpace(line), "on ")
	until(t, "the daemon is ready", func() bool {
		r, err := http.Get(p.url + "/readyz") //nolint:noctx // on this machine, and asked again
		if err != nil {
			return false
		}
		_ = r.Body.Close()
		return r.StatusCode == http.StatusOK
	})
	return p
}

func (p *process) kill() {
	_ = p.Process.Kill() // it may be gone already
	_ = p.Wait()
}

// until asks again and again, for three minutes at most: what a killed daemon had claimed waits for its lease to end.
func until(t *testing.T, what string, ask func() bool) {
	t.Helper()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	end := time.After(3 * time.Minute)
	for !ask() {
		select {
		case <-tick.C:
		case <-end:
			require.Fail(t, "still not: "+what)
		}
	}
}

// post sends readings; ok only when the daemon acknowledged them.
func (p *process) post(token, text string) (rows map[string]int64, ok bool) {
	r, err := http.NewRequest(http.MethodPost, p.url+"/api/v1/readings", strings.NewReader(text)) //nolint:noctx // killing ends it
	if err != nil {
		return nil, false
	}
	r.Header.Set("Authorization", "Bearer "+token)
	r.Header.Set("Content-Type", "text/csv")
	a, err := http.DefaultClient.Do(r)
	if err != nil {
		return nil, false
	}
	defer a.Body.Close()
	var said struct {
		Rows map[string]int64 `json:"rows"`
	}
	if a.StatusCode != http.StatusOK || json.NewDecoder(a.Body).Decode(&said) != nil {
		return nil, false
	}
	return said.Rows, true
}

// Killed outright at random moments while readings come in and excursions open: every acknowledged reading is stored,
// vial rows are the sum of their events, every mail is accepted in the end, and none more often than it was interrupted.
func TestKilledAtRandomMoments(t *testing.T) {
	kills := 5
	if os.Getenv("VIALWARD_LONG") != "" {
		kills = 50
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1)) //nolint:gosec // moments, not secrets
	caught, err := mail.NewCatcher("127.0.0.1:0", nil)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, caught.Close()) })
	folder := t.TempDir()
	t.Setenv("VIALWARD_DSN", dbtest.Fresh(t))
	t.Setenv("VIALWARD_STATE", folder)
	config := filepath.Join(folder, "vialward.toml")
	require.NoError(t, os.WriteFile(config, fmt.Appendf(nil, "[http]\nlisten = \"127.0.0.1:0\"\n[mail]\nrelay = %q\ntls = \"none\"\nfrom = \"vialward@site.example\"\n", caught.Addr()), 0o600))
	var out map[string]any
	done(t, &out, "site", "load", "internal/demo/site.toml")
	done(t, &out, "token", "make", "rph-1", "--as", "admin", "--name", "test")
	token, _ := out["token"].(string)
	var made struct {
		Vials []struct {
			Code string `json:"code"`
		} `json:"vials"`
	}
	done(t, &made, "batch", "prepare", "--as", "tech-1", "--product", "PANT", "--count", "1", "--area", "PA-1",
		"--started", time.Now().Add(-30*time.Minute).Format(time.RFC3339), "--component", "pantoprazole, powder,L1,expires=2099-12", "--component", "sodium chloride 0.9 %,S1,expires=2099-12")
	code := made.Vials[0].Code
	done(t, &out, "vial", "label", "--as", "tech-1", code)
	done(t, &out, "vial", "verify", "--as", "rph-1", code)
	done(t, &out, "vial", "place", "--as", "tech-1", "--to", "R1/A", code)

	at := time.Now().Add(-4 * time.Hour).Truncate(time.Second)
	var acknowledged, all []string
	for n := range kills {
		p := startDaemon(t, config)
		dies := time.After(time.Duration(random.IntN(400)) * time.Millisecond)
		dead := make(chan struct{})
		go func() { <-dies; p.kill(); close(dead) }()
		for alive := true; alive; {
			at = at.Add(time.Minute / 4)
			text := fmt.Sprintf("sensor,at,celsius\nT1,%s,%d.5\n", at.UTC().Format(time.RFC3339), 5+4*(n%2)) // in range, then out of it
			all = append(all, text)
			if rows, ok := p.post(token, text); ok {
				require.Equal(t, int64(1), rows["stored"]+rows["duplicate"])
				acknowledged = append(acknowledged, text)
			}
			select {
			case <-dead:
				alive = false
			default:
			}
		}
	}
	p := startDaemon(t, config)
	for _, text := range acknowledged {
		rows, ok := p.post(token, text)
		require.True(t, ok)
		require.Equal(t, int64(1), rows["duplicate"], "an acknowledged reading was lost: %s", text)
	}
	for _, text := range all { // what was not acknowledged is sent again, and is harmless
		_, ok := p.post(token, text)
		require.True(t, ok)
	}
	done(t, &out, "record", "recount")
	require.Empty(t, out["differs"])
	until(t, "no mail waits", func() bool {
		page, err := http.Get(p.url + "/metrics") //nolint:noctx // on this machine
		if err != nil {
			return false
		}
		defer page.Body.Close()
		body, err := io.ReadAll(page.Body)
		return err == nil && bytes.Contains(body, []byte(`vialward_outbox_depth{site="QUILLMERE"} 0`))
	})
	times := map[string]int{}
	for _, m := range caught.Mails() {
		times[m.MessageID]++
		require.LessOrEqual(t, times[m.MessageID], 1+kills, m.Subject)
	}
	require.NoError(t, p.Process.Signal(os.Interrupt))
	require.NoError(t, p.Wait(), "stopped, it ends well")
}
