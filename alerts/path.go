package alerts

import (
	"fmt"
	"strings"
	"time"
)

// Queue is mail that does not get out.
type Queue struct {
	Site
	Waiting   int
	Oldest    time.Time // when the oldest waiting mail was made
	Failed    int       // refused for good, not looked at yet
	Relay     string
	LastError string
	Mails     []Stuck
}

// Stuck is one mail that waits or failed.
type Stuck struct {
	Subject, To, Why string
	Created          time.Time
	Failed           bool
}

func (f Queue) site() Site { return f.Site }

func (f Queue) letter(kind Kind) (letter, error) {
	head := fmt.Sprintf("MAIL STUCK: %d waiting since %s", f.Waiting, f.clock(f.Oldest))
	if f.Waiting == 0 {
		head = fmt.Sprintf("MAIL REFUSED: %d not delivered", f.Failed)
	}
	tail := ""
	if f.Waiting > 0 && f.Failed > 0 {
		tail = fmt.Sprintf("%d refused", f.Failed)
	}
	l := letter{Subject: subject(head, tail)}
	l.say("DO", "Tell people by telephone what the mails below say. Then look at the relay: address, certificate, password, mailbox names.")
	what := ""
	if f.Waiting > 0 {
		what = count(f.Waiting, "mail") + " waiting. "
	}
	if f.Failed > 0 {
		what += count(f.Failed, "mail") + " refused for good. "
	}
	if f.Relay != "" {
		what += "Relay " + f.Relay + "."
	}
	what = strings.TrimSpace(what)
	if f.LastError != "" {
		what += " It last said: " + cut(oneLine(f.LastError), 300)
	}
	l.say("WHAT", what)
	l.add("Mails", items(f.Mails, f.URL, func(m Stuck) item {
		word := "waits"
		if m.Failed {
			word = "refused"
		}
		return item{Line: m.Subject, Sub: []string{word + ", to " + m.To + ", made " + f.clockZone(m.Created), cut(oneLine(m.Why), 300)}}
	})...)
	return l, expect(kind, QueueStuck)
}

// Drill is a test of the way from here to a person.
type Drill struct {
	Site
	At      time.Time
	Answers bool
}

func (f Drill) site() Site { return f.Site }

func (f Drill) letter(kind Kind) (letter, error) {
	l := letter{Subject: subject("PATH TEST "+f.At.In(f.zone()).Format("Mon 15:04"), "nothing is wrong")}
	do := "Nothing is wrong. If this reached you late, in a folder nobody reads, or not at all on the telephone you carry at night, tell the administrator."
	if f.Answers {
		l.Subject = subject("PATH TEST "+f.At.In(f.zone()).Format("Mon 15:04"), "please answer SEEN")
		do = "Reply SEEN. " + do
	}
	l.say("DO", do)
	l.say("WHAT", "A test of the way an alarm takes, made "+f.when(f.At)+".")
	return l, expect(kind, PathTest)
}
