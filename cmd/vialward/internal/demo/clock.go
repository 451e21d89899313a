package demo

import (
	"sync"
	"time"
)

// Clock shows the scenario's time: set to an instant while the days are played, then running from one.
type Clock struct {
	mu    sync.Mutex
	at    time.Time
	since time.Time // of the machine; zero while it stands
	speed float64
}

// Now is what the tracker's operations take for the time.
func (c *Clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now()
}

func (c *Clock) now() time.Time {
	if c.since.IsZero() {
		return c.at
	}
	return c.at.Add(time.Duration(float64(time.Since(c.since)) * c.speed)).UTC()
}

// Set stops the clock at an instant.
func (c *Clock) Set(at time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at, c.since = at.UTC(), time.Time{}
}

// Run lets it go on from where it is, so many times as fast as the machine's.
func (c *Clock) Run(speed float64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at, c.since, c.speed = c.now(), time.Now(), speed
}

// Until is how long the machine has to wait until the clock shows at; it has to be running.
func (c *Clock) Until(at time.Time) time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	return time.Duration(float64(at.Sub(c.now())) / c.speed)
}
