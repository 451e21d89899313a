package local

import (
	"bytes"
	"context"
	"log/slog"
	"strings"
	"sync"
)

// chatter logs what Postgres says line by line, and keeps the last of it for an error.
//
// What a client's statement did wrong is that client's error and handled there, so it is logged for debugging only.
type chatter struct {
	log      *slog.Logger
	stopping <-chan struct{} // while stopping, every session dies with a FATAL of its own: no news

	mu   sync.Mutex
	part []byte   // an unfinished line
	last []string // at most lastLines
}

const lastLines = 10

func (c *chatter) Write(b []byte) (int, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.part = append(c.part, b...)
	for {
		line, rest, whole := bytes.Cut(c.part, []byte("\n"))
		if !whole {
			return len(b), nil
		}
		c.part = rest
		c.say(string(line))
	}
}

func (c *chatter) say(line string) {
	if len(c.last) == lastLines {
		c.last = c.last[1:]
	}
	c.last = append(c.last, line)
	level := slog.LevelDebug
	if strings.HasPrefix(line, "FATAL:") || strings.HasPrefix(line, "PANIC:") {
		level = slog.LevelWarn
	}
	select {
	case <-c.stopping:
		level = slog.LevelDebug
	default:
	}
	c.log.Log(context.Background(), level, "Postgres", "said", line)
}

// String is the last of what was said.
func (c *chatter) String() string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return strings.Join(c.last, "\n")
}
