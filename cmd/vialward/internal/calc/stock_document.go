package calc

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/big"
	"strings"
	"time"

	"vialward/tracker/waste"
)

// Keys of the document. Nothing may be left out: a cost or a count that is not there would be guessed.
var (
	stockKeys  = map[string]bool{"demand": false, "usable_days": false, "cost_left_over": false, "cost_short": false, "on_hand": false}
	demandKeys = map[string]bool{"poisson_mean": true, "normal": true, "daily": true}
	normalKeys = map[string]bool{"mean": false, "sd": false}
)

// demandSeed starts the drawing from past days. It is printed, so that whoever asks again gets the same answer.
const demandSeed = 1

// stockDocument is what `calc stock` is told.
type stockDocument struct {
	demand string // as a person reads it
	drawn  bool   // from past days
	make   func() (waste.Demand, error)
	days   string
	costs  waste.Costs
	onHand int
}

// readStockDocument reads the document strictly, as the other calculators do.
func readStockDocument(in io.Reader) (s stockDocument, err error) {
	text, err := readDocument(in)
	if err != nil {
		return s, err
	}
	d := budReader{zone: time.UTC}
	if fields := d.fields("", text, stockKeys); fields != nil {
		s = d.stock(fields)
	}
	if len(d.wrong) > 0 {
		return s, errors.New(strings.Join(d.wrong, "; "))
	}
	return s, nil
}

func (d *budReader) stock(fields map[string]json.RawMessage) (s stockDocument) {
	const mostMoney = 1_000_000_000
	days := d.number(fields, "usable_days")
	s.days = short(fields["usable_days"])
	s.costs.LeftOverMicro = d.whole(fields, "cost_left_over", waste.Micro, mostMoney*waste.Micro)
	s.costs.ShortMicro = d.whole(fields, "cost_short", waste.Micro, mostMoney*waste.Micro)
	s.onHand = int(d.whole(fields, "on_hand", 1, mostMoney))
	raw, ok := fields["demand"]
	if !ok {
		return s
	}
	demand := d.fields("demand.", raw, demandKeys)
	if demand != nil && len(demand) != 1 {
		d.say(`"demand" needs "poisson_mean" (vials a day), "normal" (mean and sd) or "daily" (vials of past days), one of the three`)
		return s
	}
	d.demand(&s, demand, days)
	return s
}

func (d *budReader) demand(s *stockDocument, demand map[string]json.RawMessage, days *big.Rat) {
	if n := d.number(demand, "demand.poisson_mean"); n != nil {
		s.demand = "Poisson, " + short(demand["demand.poisson_mean"]) + " vials a day"
		s.make = func() (waste.Demand, error) { return waste.Poisson(float(n), float(days)) }
	}
	if raw, ok := demand["demand.normal"]; ok {
		normal := d.fields("demand.normal.", raw, normalKeys)
		mean, sd := d.number(normal, "demand.normal.mean"), d.number(normal, "demand.normal.sd")
		s.demand = fmt.Sprintf("normal, %s vials a day, standard deviation %s", short(normal["demand.normal.mean"]), short(normal["demand.normal.sd"]))
		s.make = func() (waste.Demand, error) { return waste.Normal(float(mean), float(sd), float(days)) }
	}
	if _, ok := demand["demand.daily"]; ok {
		history := d.history(demand)
		s.demand, s.drawn = fmt.Sprintf("as on %d past days, drawn %d times with seed %d", len(history), waste.Draws, demandSeed), true
		s.make = func() (waste.Demand, error) {
			if !days.IsInt() || days.Cmp(big.NewRat(waste.MostVials, 1)) > 0 {
				return nil, fmt.Errorf("%w: %s usable days cannot be drawn from past days: give a whole number", waste.ErrInput, s.days)
			}
			return waste.Daily(history, int(days.Num().Int64()), demandSeed)
		}
	}
}

// history reads the vials of past days.
func (d *budReader) history(demand map[string]json.RawMessage) (vials []int) {
	const most = 1_000_000_000
	for i, raw := range d.list(demand, "demand.daily") {
		path := fmt.Sprintf("demand.daily[%d]", i)
		vials = append(vials, int(d.whole(map[string]json.RawMessage{path: raw}, path, 1, most)))
	}
	return vials
}

// float is the nearest one. A figure of a demand is no limit that anything is compared with.
func float(n *big.Rat) float64 {
	f, _ := n.Float64()
	return f
}
