package stock_test

import (
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/tracker/stock"
)

var start = time.Date(2025, 11, 10, 13, 30, 0, 0, time.UTC)

func body(b stock.Body) stock.Body { return b }

// life applies events one hour apart and answers the vial, or the first refusal.
func life(t require.TestingT, events ...stock.Event) (stock.Vial, error) {
	v := stock.Vial{Code: "251110-1-01", Serial: 1}
	for i, e := range events {
		e.Seq = int64(i + 1)
		if e.At.IsZero() {
			e.At = start.Add(time.Duration(i) * time.Hour)
		}
		if e.By == "" {
			e.By = "rph-1"
		}
		next, err := v.Apply(e)
		if err != nil {
			return v, err
		}
		v = next
	}
	return v, nil
}

func prepared() stock.Event {
	bud := start.Add(96 * time.Hour)
	return stock.Event{Kind: stock.Prepared, By: "tech-1", Body: body(stock.Body{Batch: "251110-1", Product: "PANT", Version: 1, BUD: &bud, Area: "PA1"})}
}

func do(k stock.Kind, b ...stock.Body) stock.Event {
	e := stock.Event{Kind: k}
	if len(b) > 0 {
		e.Body = b[0]
	}
	return e
}

// A vial checked by nobody handed out, a given one discarded, a label forgotten: what may not follow is refused.
func TestWhatMayFollowWhat(t *testing.T) {
	placed, to := do(stock.Placed, stock.Body{To: "R1/A"}), stock.Body{To: "WARD"}
	stocked := []stock.Event{prepared(), do(stock.Labelled), do(stock.Verified), placed}
	tests := []struct {
		name string
		then []stock.Event
		code string // "" = allowed
		end  stock.State
	}{
		{"the whole way", []stock.Event{do(stock.Issued, to), do(stock.Given)}, "", stock.WasGiven},
		{"given without issue", []stock.Event{do(stock.Given)}, "wrong_state", ""},
		{"discarded after given", []stock.Event{do(stock.Issued, to), do(stock.Given), do(stock.Discarded)}, "gone", ""},
		{"issued twice", []stock.Event{do(stock.Issued, to), do(stock.Issued, to)}, "unverified", ""},
		{"moved while issued", []stock.Event{do(stock.Issued, to), do(stock.Moved, stock.Body{To: "R2/A"})}, "wrong_state", ""},
		{"returned", []stock.Event{do(stock.Issued, to), do(stock.Returned, stock.Body{To: "R3/A"})}, "", stock.Available},
		{"returned, never issued", []stock.Event{do(stock.Returned, stock.Body{To: "R3/A"})}, "wrong_state", ""},
		{"lost and found", []stock.Event{do(stock.Lost), do(stock.Found, stock.Body{To: "R5/A"})}, "", stock.Available},
		{"found after discard", []stock.Event{do(stock.Discarded), do(stock.Found, stock.Body{To: "R5/A"})}, "gone", ""},
		{"verified twice", []stock.Event{do(stock.Verified)}, "wrong_state", ""},
		{"a hold that is not there", []stock.Event{do(stock.Lifted, stock.Body{Hold: stock.HoldRecall})}, "wrong_state", ""},
		{"sent away", []stock.Event{do(stock.Sent, to)}, "", stock.WasSent},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			v, err := life(t, append(append([]stock.Event{}, stocked...), tt.then...)...)
			requireCode(t, err, tt.code)
			if tt.code == "" {
				require.Equal(t, tt.end, v.State)
			}
		})
	}
}

func requireCode(t require.TestingT, err error, code string) {
	if code == "" {
		require.NoError(t, err)
		return
	}
	var r *stock.Refusal
	require.ErrorAs(t, err, &r)
	require.Equal(t, code, r.Code, r.Say)
	require.NotEmpty(t, r.Say)
}

// Before the check a vial is labelled, and the preparer is not the one who checks.
func TestVerifying(t *testing.T) {
	_, err := life(t, prepared(), do(stock.Verified))
	requireCode(t, err, "wrong_state")
	self := do(stock.Verified)
	self.By = "tech-1"
	_, err = life(t, prepared(), do(stock.Labelled), self)
	requireCode(t, err, "same_person")
	_, err = life(t, prepared(), do(stock.Placed, stock.Body{To: "R1/A"}))
	requireCode(t, err, "wrong_state")
}

// At the instant of its BUD a vial is expired; one microsecond before, it is not.
func TestIssuable(t *testing.T) {
	v, err := life(t, prepared(), do(stock.Labelled), do(stock.Verified), do(stock.Placed, stock.Body{To: "R1/A"}))
	require.NoError(t, err)
	tests := []struct {
		name   string
		at     time.Time
		margin time.Duration
		label  int
		change func(*stock.Vial)
		code   string
	}{
		{"last microsecond", v.BUD.Add(-time.Microsecond), 0, 1, nil, ""},
		{"the instant itself", v.BUD, 0, 1, nil, "expired"},
		{"too little left for the ward", v.BUD.Add(-time.Hour), time.Hour, 1, nil, "short_life"},
		{"just enough left", v.BUD.Add(-time.Hour - time.Microsecond), time.Hour, 1, nil, ""},
		{"typed, no label seen", start, 0, 0, func(v *stock.Vial) { v.Label = 2 }, ""},
		{"old label", start, 0, 1, func(v *stock.Vial) { v.Label = 2 }, "old_label"},
		{"touched", start, 0, 1, func(v *stock.Vial) { v.Touches = []stock.Touch{{Case: 3, Kind: "no_data"}} }, "on_hold"},
		{"own hold", start, 0, 1, func(v *stock.Vial) { v.Holds = []stock.Hold{{Kind: stock.HoldRecall}} }, "on_hold"},
		{"not checked", start, 0, 1, func(v *stock.Vial) { v.State = stock.InPreparation }, "unverified"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			w := v
			if tt.change != nil {
				tt.change(&w)
			}
			requireCode(t, w.Issuable(tt.at, tt.margin, tt.label, time.UTC), tt.code)
		})
	}
}

// A shortened date asks for a new label; the new label ends that hold and no other.
func TestRelabelHold(t *testing.T) {
	early := start.Add(5 * time.Hour)
	v, err := life(t, prepared(), do(stock.Labelled), do(stock.Verified), do(stock.Held, stock.Body{Hold: stock.HoldManual, Reason: "asked"}),
		do(stock.Shortened, stock.Body{BUD: &early}))
	require.NoError(t, err)
	require.Equal(t, "manual, relabel", v.HoldsInWords())
	v, err = v.Apply(stock.Event{Kind: stock.Relabel, At: early})
	require.NoError(t, err)
	require.Equal(t, "manual", v.HoldsInWords())
	require.Equal(t, 2, v.Label)
	later := early.Add(time.Hour)
	_, err = v.Apply(stock.Event{Kind: stock.Shortened, Body: stock.Body{BUD: &later}})
	requireCode(t, err, "later")
}

// Law: whatever happens to a vial, in whatever order, its BUD never moves later, and a refusal changes nothing.
func TestBUDNeverLater(t *testing.T) {
	kinds := []stock.Kind{
		stock.Labelled, stock.Verified, stock.Placed, stock.Moved, stock.Issued, stock.Given, stock.Returned, stock.Entered, stock.Held,
		stock.Lifted, stock.Released, stock.Shortened, stock.Relabel, stock.Discarded, stock.Lost, stock.Found, stock.Counted,
	}
	rapid.Check(t, func(t *rapid.T) {
		v, err := life(t, prepared())
		require.NoError(t, err)
		for i := range rapid.IntRange(1, 30).Draw(t, "events") {
			bud := start.Add(time.Duration(rapid.IntRange(-100, 200).Draw(t, "bud hours")) * time.Hour)
			e := stock.Event{
				Kind: rapid.SampledFrom(kinds).Draw(t, "kind"), Seq: int64(i + 2), By: "rph-1", At: start.Add(time.Duration(i) * time.Hour),
				Body: stock.Body{To: "R1/B", BUD: &bud, Hold: stock.HoldManual},
			}
			next, err := v.Apply(e)
			var refused *stock.Refusal
			if errors.As(err, &refused) {
				require.Equal(t, v, next)
				continue
			}
			require.NoError(t, err)
			require.False(t, next.BUD.After(v.BUD), "%s moved the BUD later", e.Kind)
			require.Equal(t, next.BUD, next.BUD.Truncate(time.Minute))
			v = next
		}
	})
}

// The encoding of an event is read back to the same event, and equal events in other zones encode equally.
func TestCanonical(t *testing.T) {
	ny := time.FixedZone("-05", -5*3600)
	bud := time.Date(2025, 11, 12, 8, 30, 0, 123456789, ny)
	e := stock.Event{Site: 1, Seq: 7, Kind: stock.Shortened, At: bud, EnteredAt: bud, By: "rph-1", Via: "page", Vials: []string{"a"}, Body: stock.Body{BUD: &bud, Reason: `warm, "38 min"`}}
	back, err := stock.ParseEvent(e.Canonical())
	require.NoError(t, err)
	require.Equal(t, string(e.Canonical()), string(back.Canonical()))
	require.Equal(t, `{"site":1,"seq":7,"kind":"shortened","at":"2025-11-12T13:30:00.123456Z","entered_at":"2025-11-12T13:30:00.123456Z",`+
		`"by":"rph-1","via":"page","vials":["a"],"body":{"bud":"2025-11-12T13:30:00.123456Z","reason":"warm, \"38 min\""}}`, string(e.Canonical()))
}
