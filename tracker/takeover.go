package tracker

import (
	"context"
	"time"

	"vialward/tracker/access"
	"vialward/tracker/beyonduse"
	"vialward/tracker/label"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// TakeOver is stock that was there before there was a record.
type TakeOver struct {
	Product string `json:"product"`
	Count   int    `json:"count"`
	BUD     string `json:"beyond_use"` // as on the label: a date alone means the start of that day
	Made    string `json:"made_on"`    // local date of its preparation, as on the label; names the batch
	To      string `json:"to"`         // where it stands, UNIT/SHELF
	Note    string `json:"note,omitempty"`
}

// TakeOver records stock with the BUD of its label, marked so; from here on it may only shorten. A pharmacist does it.
func (t *Tracker) TakeOver(ctx context.Context, site string, a Actor, o TakeOver) (Prepared, error) {
	var out Prepared
	now := walltime.Cut(t.Now())
	err := t.in(ctx, site, a, access.TakeOver, now, func(tx Tx) error {
		product, err := tx.Product(ctx, o.Product, 0)
		if err != nil {
			return err
		}
		if _, err := storageFor(tx.Site(), o.To); err != nil {
			return err
		}
		zone := tx.Site().Location()
		bud, err := beyonduse.EndOfBeyondUse(o.BUD, zone)
		if err != nil {
			return stock.Refuse("bud", "", "%s", err)
		}
		day, err := time.Parse(time.DateOnly, o.Made)
		if err != nil {
			return stock.Refuse("made", "", "%q is not the date of preparation; write it as 2025-10-10", o.Made)
		}
		made := walltime.StartOfDay(day.Year(), day.Month(), day.Day(), zone)
		if !made.Before(now) || o.Count < 1 {
			return stock.Refuse("made", "", "stock that is taken over was made before now, and there is at least one vial of it")
		}
		// The hour is not on record: the whole day it was made on counts for the label. Whichever way it was kept before, the
		// chapter's longest limit of all is the last word; beyond it the year is wrong, or it is no beyond-use date.
		ends := walltime.EndOfDay(day.Year(), day.Month(), day.Day(), zone)
		if last, limit := beyonduse.Shipped().LongestFrom(ends, zone); bud.After(last) {
			return stock.Refuse("bud", "", "the label's beyond-use date %s is later than any sterile preparation made on %s may have: the longest limit is %s, which is %s. "+
				"Read the label again, its year too; a manufacturer's expiry date is not a beyond-use date", o.BUD, o.Made, limit, last.In(zone).Format("Mon 2 Jan 2006 15:04 MST"))
		}
		number, err := tx.NextNumber(ctx, "batch "+day.Format("060102"))
		if err != nil {
			return err
		}
		code, err := label.NewBatchCode(day.Year(), day.Month(), day.Day(), int(number))
		if err != nil {
			return stock.Refuse("batch", "", "%s", err)
		}
		bud = walltime.CutMinute(bud)
		b := stock.Batch{
			Site: tx.Site().ID, Code: code.String(), Product: product.Code, Version: product.Version, TakenOver: true, StartedAt: made, CompletedAt: made,
			PreparedBy: stock.Before, BUD: bud, Governs: "label", Made: o.Count,
			Candidates: []stock.Candidate{{Limit: "label", BeyondUse: bud, Source: "as on the label when the record began: " + o.BUD, Confirmed: true}},
		}
		e := event(tx, stock.TakenOver, a, now, now, stock.Body{
			Batch: b.Code, Product: product.Code, Version: product.Version, BUD: &bud, Governs: "label", To: o.To, Note: o.Note,
		})
		out.Batch = b
		out.Vials, err = makeVials(ctx, tx, &e, b, bud, nil)
		out.Seq = e.Seq
		return err
	})
	return out, err
}
