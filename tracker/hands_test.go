package tracker_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker"
)

// shared is a tablet in the preparation room on which a technician and a pharmacist gave their passwords this morning.
func shared(t *testing.T) (*door, string) {
	t.Helper()
	d := newDoor(t)
	device := ""
	for person, pin := range map[string]string{"tech-1": "271828", "rph-1": "314159"} {
		in := d.in(t, person, tablet(device))
		device = in.Device
		require.NoError(t, d.SetPIN(t.Context(), site, person, secret(person), pin, tablet(device)))
	}
	return d, device
}

func tablet(device string) tracker.From {
	return tracker.From{Address: "10.0.0.9", Device: device, Browser: "the tablet of the preparation room"}
}

func (d *door) near(t *testing.T, device string) (codes []string) {
	t.Helper()
	all, err := d.Nearby(t.Context(), site, device)
	require.NoError(t, err)
	for _, p := range all {
		codes = append(codes, p.Code)
	}
	return codes
}

// After one full sign-in of the day on a device, a PIN changes hands there, and nowhere else.
func TestChangeHands(t *testing.T) {
	t.Parallel()
	d, device := shared(t)
	ctx := t.Context()
	require.Equal(t, []string{"rph-1", "tech-1"}, d.near(t, device))
	first, err := d.ChangeHands(ctx, site, "tech-1", "271828", tablet(device))
	require.NoError(t, err)
	require.Equal(t, tracker.ByPIN, first.Session.Method)
	from := tablet(device)
	from.Session = first.Token
	second, err := d.ChangeHands(ctx, site, "rph-1", "314159", from)
	require.NoError(t, err)
	_, err = d.SessionNow(ctx, first.Token)
	require.ErrorIs(t, err, tracker.ErrSignedOut, "one tablet, one person")
	s, err := d.SessionNow(ctx, second.Token)
	require.NoError(t, err)
	require.Equal(t, "rph-1", s.Person)

	for name, x := range map[string]struct {
		person string
		from   tracker.From
	}{
		"another device":             {"tech-1", tablet(d.in(t, "tech-2", tablet("")).Device)},
		"no device":                  {"tech-1", tablet("")},
		"a device nobody gave out":   {"tech-1", tablet("AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA")},
		"never signed in on it":      {"call-1", tablet(device)},
		"nobody":                     {"nobody", tablet(device)},
		"a name that cannot be kept": {"\x00\xff", tablet(device)},
	} {
		before := d.hashing.checks.Load()
		_, err := d.ChangeHands(ctx, site, x.person, "271828", x.from)
		require.ErrorIs(t, err, tracker.ErrPassword, name)
		require.Equal(t, before, d.hashing.checks.Load(), name)
	}
	_, err = d.ChangeHands(ctx, site, "tech-1", "314159", tablet(device))
	require.ErrorIs(t, err, tracker.ErrWrongPIN, "another person's PIN")
}

// The next morning, twelve hours on, and after a new password the password is asked for again.
func TestPINIsOfTheDay(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	for name, x := range map[string]struct {
		pass  time.Duration // from 07:05 at the site
		reset bool
		may   bool
	}{
		"in the afternoon":   {9 * time.Hour, false, true},
		"twelve hours on":    {12 * time.Hour, false, false},
		"the next morning":   {24 * time.Hour, false, false},
		"after a new secret": {time.Hour, true, false},
	} {
		d, device := shared(t)
		d.pass(x.pass)
		if x.reset {
			d.give(t, "tech-1")
		}
		in, err := d.ChangeHands(ctx, site, "tech-1", "271828", tablet(device))
		if !x.may {
			require.ErrorIs(t, err, tracker.ErrPassword, name)
			require.NotContains(t, d.near(t, device), "tech-1", name)
			continue
		}
		require.NoError(t, err, name)
		d.pass(12*time.Hour - x.pass - time.Minute)
		for range 7 { // asked in between, so that it is not idle
			_, _ = d.SessionNow(ctx, in.Token)
		}
		d.pass(time.Minute)
		_, err = d.SessionNow(ctx, in.Token)
		require.ErrorIs(t, err, tracker.ErrSignedOut, "it lasts no longer than the password it rests on")
	}
}

// Five wrong PINs, however many are tried at once, and the password is asked for; giving it starts anew.
func TestFiveWrongPINs(t *testing.T) {
	t.Parallel()
	d, device := shared(t)
	ctx := t.Context()
	for range 3 {
		_, err := d.ChangeHands(ctx, site, "tech-1", "999983", tablet(device))
		require.ErrorIs(t, err, tracker.ErrWrongPIN)
	}
	_, err := d.ChangeHands(ctx, site, "tech-1", "271828", tablet(device))
	require.NoError(t, err, "a right one in between")
	d.pass(20 * time.Minute)
	before := d.hashing.checks.Load()
	other := d.second(t) // what is counted is in the database: two daemons are no ten tries
	other.Door = tracker.NewDoor(d.hashing)
	var tries []func() error
	for n := range 16 {
		through := d.Tracker
		if n%2 == 0 {
			through = other
		}
		tries = append(tries, func() error {
			_, _ = through.ChangeHands(ctx, site, "tech-1", "999983", tablet(device))
			return nil
		})
	}
	allAtOnce(tries...)
	require.LessOrEqual(t, d.hashing.checks.Load()-before, int64(5))
	d.pass(time.Hour)
	for range 5 {
		_, err = d.ChangeHands(ctx, site, "tech-1", "999983", tablet(device))
		require.Error(t, err)
	}
	_, err = d.ChangeHands(ctx, site, "tech-1", "271828", tablet(device))
	require.ErrorIs(t, err, tracker.ErrPassword, "the right one comes too late")
	require.Equal(t, []string{"rph-1"}, d.near(t, device), "others go on")
	d.in(t, "tech-1", tablet(device))
	_, err = d.ChangeHands(ctx, site, "tech-1", "271828", tablet(device))
	require.NoError(t, err)
}
