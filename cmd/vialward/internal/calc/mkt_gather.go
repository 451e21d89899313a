package calc

import (
	"errors"
	"io"

	"vialward/tracker/templog"
	"vialward/tracker/thermal"
)

// sensorLog is what came of one sensor. While its readings come in order, as nearly all logs have them, they are
// described as they come; all are kept too, for the day one comes late or twice: then they are merged and described
// anew.
type sensorLog struct {
	blocks [][]thermal.Reading
	values int
	last   int64 // instant of the newest
	mixed  bool  // not strictly in order
	soFar  *thermal.Description
}

const (
	firstBlock   = 64
	largestBlock = 1 << 16
	batch        = 1 << 14 // values handed over at once
)

// gather reads a whole log. Parsing and describing run beside each other: two cores, half the time.
func gather(p *templog.Parser, survey thermal.Survey) ([]*sensorLog, error) {
	full, empty := make(chan []templog.Value, 4), make(chan []templog.Value, 4)
	for range cap(empty) {
		empty <- make([]templog.Value, batch)
	}
	var failed error // written before full is closed, read after
	go func() {
		defer close(full)
		for {
			buf := <-empty
			n, err := p.Next(buf[:batch])
			if n > 0 {
				full <- buf[:n]
			} else {
				empty <- buf
			}
			if err != nil {
				if !errors.Is(err, io.EOF) {
					failed = err
				}
				return
			}
		}
	}()
	var logs []*sensorLog
	for values := range full {
		for i := 0; i < len(values); {
			sensor, end := values[i].Sensor, i+1
			for end < len(values) && values[end].Sensor == sensor {
				end++
			}
			for int(sensor) >= len(logs) {
				logs = append(logs, &sensorLog{soFar: survey.Start()})
			}
			logs[sensor].add(values[i:end])
			i = end
		}
		empty <- values[:0]
	}
	return logs, failed
}

// add keeps values of this sensor and describes them while they are in order.
func (l *sensorLog) add(values []templog.Value) {
	l.values += len(values)
	for len(values) > 0 {
		if n := len(l.blocks); n == 0 || len(l.blocks[n-1]) == cap(l.blocks[n-1]) {
			size := min(max(firstBlock, l.values), largestBlock)
			l.blocks = append(l.blocks, make([]thermal.Reading, 0, size))
		}
		block := &l.blocks[len(l.blocks)-1]
		start := len(*block)
		n := min(len(values), cap(*block)-start)
		fresh := (*block)[start : start+n]
		last, mixed := l.last, l.mixed
		for i := range fresh {
			v := &values[i]
			fresh[i] = thermal.Reading{AtMicros: v.AtMicros, MilliC: v.MilliC}
			mixed = mixed || v.AtMicros <= last && (l.values > len(values) || i > 0)
			last = v.AtMicros
		}
		*block, values = (*block)[:start+n], values[n:]
		if l.last, l.mixed = last, mixed; !mixed {
			l.soFar.Add(fresh)
		}
	}
}

// finish answers the statistics, how many values were repeats and how many conflicting.
func (l *sensorLog) finish(survey thermal.Survey) (s thermal.Statistics, repeats, conflicting int) {
	if l.values == 0 {
		return s, 0, 0
	}
	if !l.mixed {
		return l.soFar.Statistics(), 0, 0
	}
	series, conflicts := thermal.Merge(l.blocks...)
	for _, c := range conflicts {
		conflicting += c.Values
	}
	return survey.Describe(series), l.values - len(series) - conflicting, conflicting
}
