package web

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net/http"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/cmd/vialward/internal/present"
	"vialward/tracker"
	"vialward/tracker/label"
)

// placed prepares four vials and puts them into R1/A.
func (s *shop) placed(t *testing.T) {
	t.Helper()
	for _, x := range day {
		switch x.route {
		case "POST /batches", "POST /vials/label", "POST /vials/verify", "POST /vials/place":
			a := s.post(x.as, strings.TrimPrefix(x.route, "POST "), x.body)
			require.Equal(t, http.StatusOK, a.status, "%s", a.body)
		}
	}
}

// Each refusal has the status, the code and the vial a program needs, and the sentence a person needs.
func TestRefusals(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	s.placed(t)
	var events = len(read[present.EventList](t, s.get("/events?limit=1000")).Events)
	for _, x := range []struct {
		as, path, body string
		status         int
		code, vial     string
		say            string
	}{
		{"tech-1", "/vials/verify", `{"vials":[` + vial(1) + `]}`, http.StatusForbidden, "role", "", "pharmacist"},
		{"rph-1", "/vials/verify", `{"vials":[` + vial(1) + `]}`, http.StatusConflict, "wrong_state", codeOf(1), "verified already"},
		{"tech-1", "/vials/issue", `{"vials":[` + vial(1) + `],"to":"MOON"}`, http.StatusUnprocessableEntity, "destination", "", "MOON"},
		{"tech-1", "/vials/place", `{"vials":[` + vial(1) + `],"to":"R1/A"}`, http.StatusConflict, "there", codeOf(1), "already"},
		{"tech-1", "/vials/place", `{"vials":[` + vial(1) + `],"to":"R9/A"}`, http.StatusUnprocessableEntity, "place", "", "R9"},
		{"tech-1", "/vials/place", `{"vials":[` + vial(1) + `,` + vial(1) + `],"to":"R2/A"}`, http.StatusUnprocessableEntity, "twice", codeOf(1), "twice"},
		{"tech-1", "/vials/place", `{"vials":["` + label.Code("251012-1", 1) + `"],"to":"R2/A"}`, http.StatusUnprocessableEntity, "unknown", label.Code("251012-1", 1), "not in the record"},
		{"tech-1", "/vials/place", `{"vials":["251013-1-01-00"],"to":"R2/A"}`, http.StatusUnprocessableEntity, "code", "", "251013-1-01-00"},
		{"tech-1", "/vials/place", `{"to":"R2/A"}`, http.StatusUnprocessableEntity, "empty", "", "at least one"},
		{"tech-1", "/vials/hold", `{"vials":[` + vial(1) + `],"reason":"odd","at":"2025-10-14T07:00:00-04:00"}`, http.StatusUnprocessableEntity, "future", "", "future"},
		{"tech-1", "/vials/hold", `{"vials":[` + vial(1) + `],"reason":"odd","at":"2025-10-13T07:00:00-04:00"}`, http.StatusConflict, "order", codeOf(1), "last recorded"},
		{"rph-1", "/vials/shorten", `{"vials":[` + vial(1) + `],"beyond_use":"2026-10-14T07:00:00-04:00","reason":"longer"}`, http.StatusConflict, "later", codeOf(1), "never moves later"},
		{"rph-1", "/vials/correct-cause", `{"vials":[` + vial(1) + `],"reason":"expired","note":"x"}`, http.StatusConflict, "wrong_state", codeOf(1), "neither discarded nor lost"},
		{"tech-1", "/shortages", `{"product":"PANT","vials":0}`, http.StatusUnprocessableEntity, "count", "", "at least one"},
		{"tech-1", "/shortages", `{"product":"PANT","vials":1,"to":"MOON"}`, http.StatusUnprocessableEntity, "destination", "", "MOON"},
		{"tech-1", "/shortages", `{"product":"NONE","vials":1}`, http.StatusNotFound, "", "", "NONE"},
		{"rph-1", "/cases/7/release", `{"vials":[` + vial(1) + `],"basis":"none"}`, http.StatusConflict, "no_hold", codeOf(1), "case 7"},
		{"rph-1", "/cases/x/release", `{"vials":[` + vial(1) + `],"basis":"none"}`, http.StatusNotFound, "", "", "number of a case"},
		{"rph-1", "/areas/PA", `{"category":"4","reason":"x"}`, http.StatusUnprocessableEntity, "category", "", "1, 2 or 3"},
		{"rph-1", "/areas/PA", `{"reason":"x"}`, http.StatusUnprocessableEntity, "category", "", "none"},
		{"rph-1", "/areas/PB", `{"category":"1","reason":"x"}`, http.StatusNotFound, "", "", "PB"},
		{"rph-1", "/units/R9/work", `{"from":"2025-10-13T09:00:00Z","to":"2025-10-13T10:00:00Z","reason":"x"}`, http.StatusNotFound, "", "", "R9"},
		{"rph-1", "/sweeps/9/confirm", `{}`, http.StatusNotFound, "", "", "sweep"},
		{"rph-1", "/intakes/9/withdraw", `{"reason":"x"}`, http.StatusNotFound, "", "", "intake"},
		{"rph-1", "/sensors/T9/zone", `{"zone":"UTC","reason":"x"}`, http.StatusNotFound, "", "", "T9"},
		{"rph-1", "/sensors/T1/zone", `{"zone":"Atlantis/Deep","reason":"x"}`, http.StatusUnprocessableEntity, "zone", "", "Atlantis"},
		{"rph-1", "/batches", `{"product":"PANT","count":1,"area":"PA","started_at":"2025-10-13T06:20:00-04:00","components":[{"name":"pantoprazole","lot":"P1","expires":"2026-05"},{"name":"water","lot":"D7","expires":"2025-12-31"}],"mix":{"source_vials":0,"powder":"x","diluent_ml":"0.001","tolerance_percent":"0"}}`, http.StatusUnprocessableEntity, "powder", "", "no powder"},
		{"rph-1", "/batches", `{"product":"PANT","count":1,"area":"PA","started_at":"2025-10-13T06:20:00-04:00","components":[{"name":"pantoprazole","lot":"P1","expires":"2026-05"},{"name":"water","lot":"D7","expires":"2025-12-31"}],"mix":{"source_vials":0,"powder":"x","withdrawn_ml":"9,6"}}`, http.StatusUnprocessableEntity, "quantity", "", `mix.withdrawn_ml: "9,6" is not a plain decimal`},
		{"rph-1", "/batches", `{"product":"PANT","count":1,"area":"PA","started_at":"2025-10-13T06:20:00-04:00","components":[{"name":"pantoprazole","lot":"P1","expires":"2026-05"},{"name":"diluent","lot":"D7","expires":"2025-12-31"}]}`, http.StatusUnprocessableEntity, "component", "", `"diluent" is none of its components; water is not given. It is made with: pantoprazole; water`},
		{"rph-1", "/batches", `{"product":"NONE","count":1,"area":"PA","started_at":"2025-10-13T06:20:00-04:00","components":[]}`, http.StatusNotFound, "", "", "NONE"},
	} {
		a := s.post(x.as, x.path, x.body)
		require.Equal(t, x.status, a.status, "%s %s: %s", x.path, x.body, a.body)
		p := a.problem(t)
		require.Equal(t, x.code, p.Code, "%s %s", x.path, x.body)
		require.Equal(t, x.vial, p.Vial, "%s %s", x.path, x.body)
		require.Contains(t, p.Detail, x.say, "%s %s", x.path, x.body)
		if x.code != "" {
			require.Equal(t, "urn:vialward:problem:"+strings.ReplaceAll(x.code, "_", "-"), p.Type)
		}
	}
	require.Len(t, read[present.EventList](t, s.get("/events?limit=1000")).Events, events, "nothing of it was recorded")
}

// A code is taken as gloved hands and scanners write it, and answered in its one form.
func TestCodesAsPeopleWriteThem(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	s.placed(t)
	code := codeOf(1)
	for _, written := range []string{code, strings.ReplaceAll(code, "-", ""), "%20" + code + "%20"} {
		require.Equal(t, code, read[present.Life](t, s.get("/vials/"+written)).Vial.Code, written)
	}
	done := read[present.Handled](t, s.post("tech-1", "/vials/hold", `{"vials":["`+strings.ReplaceAll(code, "-", "")+`"],"reason":"odd"}`))
	require.Equal(t, code, done.Vials[0].Code)
	require.Equal(t, []present.Hold{{Kind: "manual", Reason: "odd", By: "tech-1", Since: "2025-10-13T07:05:00-04:00", Event: done.Event}}, done.Vials[0].Holds)
}

// A vial's life tells its excursion also after the release, and the case where the vial was then.
func TestLifeTellsItsExcursions(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	s.placed(t)
	require.Equal(t, http.StatusOK, s.post("tech-1", "/vials/place", `{"vials":[`+vial(8)+`],"to":"R2/A"}`).status)
	s.pass(time.Minute)
	warmRefrigerator(t, s)
	require.Equal(t, http.StatusOK, s.post("tech-1", "/vials/place", `{"vials":[`+vial(7)+`],"to":"R2/A"}`).status)
	require.Empty(t, read[present.Life](t, s.get("/vials/"+codeOf(8))).Cases, "it had left before")
	require.Len(t, read[present.Life](t, s.get("/vials/"+codeOf(7))).Cases, 1, "it left too late")
	s.pass(10 * time.Minute)
	a := s.send(http.MethodPost, readingsPath, "logger", mediaCSV, "sensor,at,celsius\nT1,"+s.clock().Format(time.RFC3339)+",5.0\n")
	require.Equal(t, http.StatusOK, a.status)
	require.Equal(t, http.StatusOK, s.post("tech-1", "/vials/place", `{"vials":[`+vial(8)+`],"to":"R1/B"}`).status)
	require.Empty(t, read[present.Life](t, s.get("/vials/"+codeOf(8))).Cases, "it came back after")
	for range 2 {
		life := read[present.Life](t, s.get("/vials/"+codeOf(1)))
		require.Len(t, life.Cases, 1)
		require.Equal(t, "warm", life.Cases[0].Kind)
		require.Equal(t, "pantoprazole 40 mg / 10 mL (4 mg/mL)", life.Name)
		require.NotEmpty(t, life.Batch.Candidates)
		s.post("rph-1", "/cases/1/release", `{"vials":[`+vial(1)+`],"basis":"within its allowance","minutes_out":20}`)
	}
	require.Empty(t, read[present.Life](t, s.get("/vials/"+codeOf(1))).Vial.Cases, "released")
	c := read[present.CaseWithStock](t, s.get("/cases/1"))
	require.Len(t, c.Touched, 7)
	for _, x := range c.Touched {
		require.Equal(t, "R1/A", x.Was.Place)
		require.Equal(t, x.Vial.Code == codeOf(1), x.Released)
	}
	// Who decided what, naming the case or not; what has nothing to do with it is not told.
	for _, d := range [][3]string{
		{"rph-1", vial(2), `"reason":"expired"`}, {"rph-1", vial(3), `"reason":"expired","case":1`},
		{"rph-1", vial(1), `"reason":"expired"`}, // released before: its end is another story
	} {
		did := s.post(d[0], "/vials/discard", `{"vials":[`+d[1]+`],`+d[2]+`,"container":"blue bin"}`)
		require.Equal(t, http.StatusOK, did.status, did.body)
	}
	var told []string
	for _, e := range read[present.CaseWithStock](t, s.get("/cases/1")).Decided {
		told = append(told, fmt.Sprint(e.Kind, " ", e.By, " ", e.Vials, " ", e.Body.Reason))
	}
	require.Equal(t, []string{
		"released rph-1 [" + codeOf(1) + "] within its allowance", "discarded rph-1 [" + codeOf(2) + "] expired", "discarded rph-1 [" + codeOf(3) + "] expired",
	}, told)
}

// At the instant itself a vial is past its date; a hold of its own and one of an excursion make one vial on hold.
func TestStockAsOfNow(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	s.placed(t)
	unit := func(code string) present.Unit {
		for _, u := range read[present.UnitList](t, s.get("/units")).Units {
			if u.Code == code {
				return u
			}
		}
		t.Fatal("no unit " + code)
		return present.Unit{}
	}
	require.Equal(t, http.StatusOK, s.post("tech-1", "/vials/hold", `{"vials":[`+vials(1, 2)+`],"reason":"odd"}`).status)
	u := unit("R1")
	require.Equal(t, []int{8, 2}, []int{u.Vials, u.VialsOnHold})
	require.Nil(t, u.Sensors[0].LastCelsius)
	warmRefrigerator(t, s)
	u = unit("R1")
	require.Equal(t, []int{8, 8}, []int{u.Vials, u.VialsOnHold})
	require.InDelta(t, 4.8, *u.Sensors[0].LastCelsius, 1e-9, "5.0 and the certificate's -0.2")
	require.False(t, u.Sensors[0].Old)
	s.pass(11 * time.Minute)
	require.True(t, unit("R1").Sensors[0].Old, "two intervals without a reading")

	bud, err := time.Parse(time.RFC3339, "2025-10-17T06:20:00-04:00")
	require.NoError(t, err)
	for _, x := range []struct {
		at   time.Time
		past bool
	}{{bud.Add(-time.Microsecond), false}, {bud, true}} {
		s.pass(x.at.Sub(s.clock()))
		for _, v := range read[present.VialList](t, s.get("/vials?unit=R1")).Vials {
			require.Equal(t, x.past, v.Past, "at %s", x.at)
			require.Equal(t, "2025-10-17T06:20:00-04:00", string(v.BeyondUse))
		}
	}
}

// Reading the record piece by piece gives every event once.
func TestEventsByPieces(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	s.placed(t)
	all := read[present.EventList](t, s.get("/events?limit=1000"))
	var pieces []present.Event
	for after := int64(0); ; {
		piece := read[present.EventList](t, s.get("/events?limit=3&after="+jsonOf(after)))
		if len(piece.Events) == 0 {
			break
		}
		pieces, after = append(pieces, piece.Events...), piece.Next
	}
	require.Equal(t, all.Events, pieces)
	require.Equal(t, "2025-10-17T06:20:00-04:00", bud(t, pieces), "instants of a body stand in the site's time too")
}

func jsonOf(v any) string { b, _ := json.Marshal(v); return string(b) } //nolint:errchkjson // numbers

func bud(t *testing.T, events []present.Event) string {
	t.Helper()
	for _, e := range events {
		if e.Body.BUD != nil {
			return e.Body.BUD.Format(time.RFC3339)
		}
	}
	t.Fatal("no event with a beyond-use date")
	return ""
}

// A token ends, its person leaves, or it was never one: all the same to whoever holds it.
func TestTokensThatAreNone(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	s.token(t, "until eight", tracker.Token{Person: "tech-1", Scopes: []string{"act"}}, morning.Add(time.Hour))
	require.Equal(t, http.StatusOK, s.send(http.MethodGet, "/api/v1/units", "until eight", "", "").status)
	s.pass(time.Hour)
	site := smallSite()
	for i, p := range site.People {
		if p.Code == "mgr-1" { // whose token "reader" is
			site.People[i].Left = s.clock()
		}
	}
	_, err := s.Tracker.LoadSite(t.Context(), s.signing(site.People[0]), site)
	require.NoError(t, err)
	var said []string
	for _, token := range []string{"until eight", "reader", "guessed"} {
		a := s.send(http.MethodGet, "/api/v1/units", token, "", "")
		require.Equal(t, http.StatusUnauthorized, a.status, token)
		require.Equal(t, `Bearer realm="vialward", error="invalid_token"`, a.header.Get("WWW-Authenticate"))
		said = append(said, string(a.body))
	}
	require.Equal(t, said[0], said[1])
	require.Equal(t, said[0], said[2])
	a := s.send(http.MethodGet, "/api/v1/units", "", "", "")
	require.Equal(t, `Bearer realm="vialward"`, a.header.Get("WWW-Authenticate"))
}

// A body that is not the document says which field, and nothing of it is done.
func TestStrictDocuments(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	for body, say := range map[string]string{
		``:                                 "empty",
		`{`:                                "ends in its middle",
		`vials`:                            "not JSON",
		`[]`:                               "an object was expected",
		`null`:                             "an object was expected",
		`"vials"`:                          "an object was expected",
		`{"vial":["a"]}`:                   `no field "vial"`,
		`{"vials":["a"],"hold":{"a":1}}`:   `no field "hold"`,
		`{"vials":"a"}`:                    `Field "vials" is a JSON string`,
		`{"vials":[7]}`:                    `Field "vials`,
		`{"vials":["a"],"vials":["b"]}`:    `"vials" stands there twice`,
		`{"vials":["a"],"Vials":["b"]}`:    `"Vials" stands there twice`,
		`{"vials":["a"]} {"vials":["a"]}`:  "something follows",
		`{"vials":["a"],"at":"yesterday"}`: "RFC 3339",
		`{"vials":["a"],"at":"2025-10-13T07:05:00"}`: "RFC 3339",
	} {
		a := s.post("tech-1", "/vials/hold", body)
		require.Equal(t, http.StatusBadRequest, a.status, "%s: %s", body, a.body)
		require.Contains(t, a.problem(t).Detail, say, body)
	}
	a := s.send(http.MethodPost, "/api/v1/vials/hold", "tech-1", "application/x-www-form-urlencoded", "vials=a")
	require.Equal(t, http.StatusUnsupportedMediaType, a.status)
	a = s.post("tech-1", "/vials/hold", `{"reason":"`+strings.Repeat("x", longestDocument)+`"}`)
	require.Equal(t, http.StatusRequestEntityTooLarge, a.status)
	a.problem(t)
}

// Noise, and sound documents with one bit wrong, at every route: a problem of the asker's, never of ours.
func TestNoise(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	chance := rand.New(rand.NewPCG(7, 7))
	for _, x := range day {
		method, path, _ := strings.Cut(x.route, " ")
		if method != http.MethodPost || x.media == mediaCSV {
			continue
		}
		if x.path != "" {
			path = x.path
		}
		noise := make([]byte, 500)
		for i := range noise {
			noise[i] = byte(chance.Uint32())
		}
		bodies := [][]byte{noise}
		for range 10 {
			b := []byte(x.body)
			b[chance.IntN(len(b))] ^= 1 << chance.IntN(8)
			bodies = append(bodies, b)
		}
		for _, b := range bodies {
			a := s.post("mgr-1", path, string(b))
			require.Less(t, a.status, http.StatusInternalServerError, "%s %q: %s", path, b, a.body)
			if a.status != http.StatusOK {
				a.problem(t)
			}
		}
	}
	require.NotContains(t, s.log.String(), "panic")
	require.NotContains(t, s.log.String(), "request failed")
}

// Whatever is taken for a document of an operation says the same when it is written down and read again; whatever is
// not ends in a sentence.
func FuzzDocument(f *testing.F) {
	for _, x := range day {
		if x.body != "" {
			f.Add([]byte(x.body))
		}
	}
	f.Add([]byte(`{"vials":["a"],"at":"2025-10-13T07:05:00.123456789+14:00"}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		for _, r := range table() {
			if r.needs() != scopeAct {
				continue
			}
			document := reflect.New(r.body)
			if err := strict(text, document.Interface()); err != nil {
				require.True(t, strings.HasSuffix(sentence(err), "."), "%q", sentence(err))
				continue
			}
			again := reflect.New(r.body)
			written, err := json.Marshal(document.Interface())
			require.NoError(t, err)
			require.NoError(t, strict(written, again.Interface()), "%s", written)
			twice, err := json.Marshal(again.Interface())
			require.NoError(t, err)
			require.Equal(t, string(written), string(twice))
		}
	})
}
