package demo

import (
	"container/heap"
	"context"
	"time"
)

// step is something that somebody or something does at an instant of the story.
type step struct {
	at   time.Time
	n    int // steps of one instant happen in the order they were planned
	what string
	do   func(context.Context) error
}

// agenda is what is still to come, the earliest first.
type agenda struct {
	steps []step
	n     int
}

func (a *agenda) Len() int      { return len(a.steps) }
func (a *agenda) Swap(i, j int) { a.steps[i], a.steps[j] = a.steps[j], a.steps[i] }
func (a *agenda) Push(x any)    { a.steps = append(a.steps, x.(step)) }

func (a *agenda) Less(i, j int) bool {
	if !a.steps[i].at.Equal(a.steps[j].at) {
		return a.steps[i].at.Before(a.steps[j].at)
	}
	return a.steps[i].n < a.steps[j].n
}

func (a *agenda) Pop() any {
	last := a.steps[len(a.steps)-1]
	a.steps = a.steps[:len(a.steps)-1]
	return last
}

func (a *agenda) plan(at time.Time, what string, do func(context.Context) error) {
	a.n++
	heap.Push(a, step{at.UTC(), a.n, what, do})
}

// next takes the earliest step off, if it is not after an instant.
func (a *agenda) next(until time.Time) (step, bool) {
	if len(a.steps) == 0 || a.steps[0].at.After(until) {
		return step{}, false
	}
	return heap.Pop(a).(step), true
}
