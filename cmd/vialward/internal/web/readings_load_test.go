package web

import (
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker/stock"
)

// A thousand loggers post one reading each a second, over connections of their own, at moments nobody waits for: what is
// timed is from the moment a post was due to its acknowledgement, so a server that falls behind cannot hide it. The
// figures to look at are p50-ms and p99-ms.
func BenchmarkThousandPostsASecond(b *testing.B) {
	const loggers = 1000
	site := smallSite()
	for i := range loggers {
		s := site.Sensors[0]
		s.Code = fmt.Sprintf("L%d", i)
		s.Assignments = []stock.Assignment{{Unit: "R2", From: site.Sensors[0].Assignments[0].From}}
		site.Sensors = append(site.Sensors, s)
	}
	s := newShop(b)
	_, err := s.Tracker.LoadSite(b.Context(), s.signing(site.People[0]), site)
	require.NoError(b, err)
	server := httptest.NewServer(s.h)
	defer server.Close()
	client := &http.Client{Transport: &http.Transport{MaxIdleConns: loggers, MaxIdleConnsPerHost: loggers}}
	defer client.CloseIdleConnections()
	post := func(i int, at time.Time) error {
		body := fmt.Sprintf("sensor,at,celsius\nL%d,%s,4.8\n", i%loggers, at.Format(time.RFC3339))
		r, err := http.NewRequest(http.MethodPost, server.URL+readingsPath, strings.NewReader(body))
		if err != nil {
			return err
		}
		r.Header.Set("Authorization", "Bearer logger")
		r.Header.Set("Content-Type", mediaCSV)
		answer, err := client.Do(r)
		if err != nil {
			return err
		}
		defer answer.Body.Close()
		text, err := io.ReadAll(answer.Body)
		if err != nil || answer.StatusCode != http.StatusOK || !strings.Contains(string(text), `"stored":1`) {
			return fmt.Errorf("%d %s %w", answer.StatusCode, text, err)
		}
		return nil
	}
	took, wrong := make([]time.Duration, b.N), make([]error, b.N)
	var posts sync.WaitGroup
	due := time.NewTimer(0)
	b.ResetTimer()
	begun := time.Now()
	for i := range b.N {
		if i%loggers == 0 {
			s.pass(time.Second)
		}
		at, is := s.clock(), begun.Add(time.Duration(i)*time.Second/loggers)
		due.Reset(time.Until(is))
		<-due.C
		posts.Go(func() {
			wrong[i] = post(i, at)
			took[i] = time.Since(is)
		})
	}
	posts.Wait()
	b.StopTimer()
	for _, err := range wrong {
		require.NoError(b, err)
	}
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)/2].Microseconds())/1e3, "p50-ms")
	b.ReportMetric(float64(took[len(took)*99/100].Microseconds())/1e3, "p99-ms")
	b.ReportMetric(float64(b.N)/time.Since(begun).Seconds(), "posts/s")
}
