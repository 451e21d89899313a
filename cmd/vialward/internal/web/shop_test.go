package web

import (
	"bytes"
	"encoding/json"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/cmd/vialward/internal/passwords"
	"vialward/db"
	"vialward/db/dbtest"
	"vialward/tracker"
	"vialward/tracker/stock"
)

// shop is a server over a small site in a database of its own, with the clock in the test's hand and a token for each of
// its people: "tech-1", "rph-1", ... act as them; "reader" reads, "logger" writes readings, "logger-T2" those of T2.
type shop struct {
	*Server
	dsn string
	h   http.Handler
	log bytes.Buffer

	mu  sync.Mutex
	now time.Time
}

// morning is five past seven at the site, New York.
var morning = time.Date(2025, 10, 13, 11, 5, 0, 0, time.UTC)

func newShop(t testing.TB) *shop {
	t.Helper()
	dsn := dbtest.Fresh(t)
	store, err := db.Open(t.Context(), dsn)
	require.NoError(t, err)
	t.Cleanup(store.Close)
	s := &shop{dsn: dsn, now: morning}
	log := slog.New(slog.NewTextHandler(&lockedBuffer{b: &s.log}, nil))
	k := &tracker.Tracker{Store: store, Now: s.clock, Log: log}
	_, err = k.LoadSite(t.Context(), tracker.Account("root"), smallSite())
	require.NoError(t, err)
	s.Server = &Server{Tracker: k, Log: log, Now: s.clock, MaxBodyBytes: 1 << 20}
	for _, p := range smallSite().People {
		if p.Is(stock.Logger) {
			continue
		}
		s.token(t, p.Code, tracker.Token{Person: p.Code, Scopes: []string{"act"}}, time.Time{})
	}
	s.token(t, "reader", tracker.Token{Person: "mgr-1", Scopes: []string{"read"}}, time.Time{})
	s.token(t, "logger", tracker.Token{Person: "log-1", Scopes: []string{"readings"}}, time.Time{})
	s.token(t, "logger-T2", tracker.Token{Person: "log-1", Scopes: []string{"readings"}, Sensors: []string{"T2"}}, time.Time{})
	s.h = s.Handler()
	s.Tracker.Door = tracker.NewDoor(passwords.Light())
	for _, p := range []string{"tech-1", "rph-1", "admin-1"} {
		hash, err := passwords.Light().Hash(secretOf(p))
		require.NoError(t, err)
		require.NoError(t, store.In(t.Context(), "SMALL", func(tx tracker.Tx) error {
			if err := tx.SaveCredential(t.Context(), tracker.Credential{Person: p, PasswordHash: hash, PasswordAt: morning}); err != nil {
				return err
			}
			return tx.Append(t.Context(), &stock.Event{Kind: stock.PasswordSet, At: morning, EnteredAt: morning, By: p, Via: tracker.ViaMachine, Body: stock.Body{To: p}})
		}))
	}
	return s
}

// signedPath finds requests that their person signs.
var signedPath = regexp.MustCompile(`^/api/v1/(vials/(verify|lift|shorten)|cases/\w+/release|sweeps/\w+/confirm)$`)

func (s *shop) token(t testing.TB, token string, k tracker.Token, expires time.Time) {
	t.Helper()
	maker := "admin-1"
	if k.Allows(tracker.ScopeAct) {
		maker = k.Person
	}
	a := tracker.Actor{Person: stock.Person{Code: maker}, Via: tracker.ViaMachine}
	k.Name, k.Ends = token, expires
	require.NoError(t, s.Tracker.AddToken(t.Context(), "SMALL", a, token, k))
}

func (s *shop) clock() time.Time {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.now
}

func (s *shop) pass(d time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.now = s.now.Add(d)
}

// lockedBuffer is written by many goroutines.
type lockedBuffer struct {
	mu sync.Mutex
	b  *bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func smallSite() stock.Site {
	year := time.Date(2025, 1, 1, 5, 0, 0, 0, time.UTC)
	allowed := 60
	rule := func(kind string, limit int32, delay time.Duration) stock.AlarmRule {
		return stock.AlarmRule{Kind: kind, LimitMilliC: limit, Delay: delay, Severity: "high", Hold: true, Source: "site policy (invented)", ForClass: stock.Refrigerator, PageWhenOpen: true}
	}
	sensor := func(code, unit string) stock.Sensor {
		return stock.Sensor{
			Code: code, Interval: 5 * time.Minute, DeliversEvery: 5 * time.Minute, MaxGap: 30 * time.Minute, SilentAfterMins: 15,
			Assignments:  []stock.Assignment{{Unit: unit, From: year}},
			Calibrations: []stock.Calibration{{Certificate: "C-" + code, From: year, Due: year.AddDate(1, 0, 0), OffsetMilliC: -200, UncertaintyMilliC: 300}},
		}
	}
	var able []stock.Competency
	for _, what := range stock.CompetencyKinds() {
		able = append(able, stock.Competency{What: what, AssessedBy: "the trainer", From: year, Until: year.AddDate(2, 0, 0)})
	}
	return stock.Site{
		Code: "SMALL", Name: "Small Pharmacy", Zone: "America/New_York", Unit: "Cel", ConfirmMinutes: 60, LateEntryHours: 24,
		Staffed: []stock.Hours{{Days: stock.Weekdays, From: "06:00", To: "20:00"}},
		Sweeps:  []stock.Slot{{Days: stock.Weekdays, At: "07:00"}},
		Rooms: []stock.RoomPlace{{Code: "Q", Units: []stock.Unit{
			{Code: "R1", Class: stock.Refrigerator, Shelves: []stock.Shelf{{Code: "A"}, {Code: "B"}}, Capacity: 60},
			{Code: "R2", Class: stock.Refrigerator, Shelves: []stock.Shelf{{Code: "A"}}},
		}}},
		Areas:   []stock.Area{{Code: "PA", Statuses: []stock.AreaStatus{{From: year, Category: "2"}}}},
		Rules:   []stock.AlarmRule{rule("warm", 8000, 15*time.Minute), rule("cold", 2000, 15*time.Minute), rule("freeze", 0, 0), rule("no_data", 0, 45*time.Minute)},
		Sensors: []stock.Sensor{sensor("T1", "R1"), sensor("T2", "R2")},
		Products: []stock.Product{{
			Code: "PANT", Name: "pantoprazole", Amount: 40_000, Volume: 10_000, Container: "vial", ContainerL: 20_000, Category: "2", Method: "aseptic",
			Storage: stock.Refrigerator, AllowedOutMinutes: &allowed, AllowedOutSource: "invented", BenchMinutes: 30, Disposal: "black box", ApprovedBy: "rph-1",
			Stability:  []stock.StabilityRow{{Diluent: "water", Storage: stock.Refrigerator, Minutes: 96 * 60, Source: "invented", Tag: "M", ConfirmedBy: "rph-1"}},
			Components: []stock.ComponentUse{{Name: "pantoprazole", Powder: true, PerVial: 40_000}, {Name: "water", Diluent: true}},
			Costs:      []stock.Cost{{From: year, Cents: 685}},
		}},
		People: []stock.Person{
			{Code: "rph-1", Mail: "rph-1@small.example", Roles: []string{stock.Pharmacist}, Competencies: able}, {Code: "rph-2", Roles: []string{stock.Pharmacist}},
			{Code: "tech-1", Roles: []string{stock.Technician}, Competencies: able}, {Code: "mgr-1", Roles: []string{stock.Manager}}, {Code: "log-1", Roles: []string{stock.Logger}}, {Code: "admin-1", Roles: []string{stock.Administrator}},
		},
		Routes:       []stock.Route{{Kinds: []string{"all"}, To: []string{"rph-1"}}},
		Destinations: []stock.Dest{{Code: "WARD", Name: "ward"}},
		Reasons:      []stock.WasteCause{{Code: "expired", Words: "expired on the shelf", Class: "avoidable"}, {Code: "unaccounted", Words: "cannot be found", Class: "avoidable"}},
	}
}

// answer is what came back.
type answer struct {
	status int
	header http.Header
	body   []byte
}

// send asks for a path; token "" sends none, media "" no body.
func (s *shop) send(method, path, token, media, body string) answer {
	if signedPath.MatchString(path) && (token == "tech-1" || token == "rph-1") && strings.HasPrefix(body, "{") && !strings.Contains(body, `"signature"`) {
		sign := `{"signature":{"password":"` + secretOf(token) + `"},`
		body = strings.Replace(strings.Replace(body, "{", sign, 1), ",}", "}", 1)
	}
	r := httptest.NewRequest(method, path, strings.NewReader(body))
	r.Host = "localhost:8080"
	if token != "" {
		r.Header.Set("Authorization", "Bearer "+token)
	}
	if media != "" {
		r.Header.Set("Content-Type", media)
	}
	w := httptest.NewRecorder()
	s.h.ServeHTTP(w, r)
	return answer{w.Code, w.Result().Header, w.Body.Bytes()}
}

func (s *shop) get(path string) answer {
	return s.send(http.MethodGet, "/api/v1"+path, "reader", "", "")
}

func (s *shop) post(token, path, body string) answer {
	return s.send(http.MethodPost, "/api/v1"+path, token, mediaJSON, body)
}

// problem reads a problem and holds it to its form.
func (a answer) problem(t testing.TB) problem {
	t.Helper()
	require.Equal(t, "application/problem+json", a.header.Get("Content-Type"), "%d %s", a.status, a.body)
	var p problem
	require.NoError(t, json.Unmarshal(a.body, &p))
	require.Equal(t, a.status, p.Status)
	require.NotEmpty(t, p.Detail)
	require.NotEmpty(t, p.Title)
	require.NotEmpty(t, p.Type)
	require.NotEmpty(t, p.Instance)
	return p
}

// read decodes a 200 into a document.
func read[T any](t testing.TB, a answer) T {
	t.Helper()
	require.Equal(t, http.StatusOK, a.status, "%s", a.body)
	var document T
	require.NoError(t, json.Unmarshal(a.body, &document))
	return document
}

// signing acts as a person who gave their password a moment ago.
func (s *shop) signing(p stock.Person) tracker.Actor {
	return tracker.Actor{Person: p, Via: tracker.ViaMachine, Proof: &tracker.Proof{Person: p.Code, Method: tracker.ByPassword, At: s.clock()}}
}
