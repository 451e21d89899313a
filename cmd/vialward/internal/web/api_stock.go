package web

import (
	"context"
	"net/http"
	"slices"

	"vialward/cmd/vialward/internal/present"
	"vialward/tracker"
	"vialward/tracker/access"
	"vialward/tracker/mixing"
	"vialward/tracker/stock"
)

// inStock is what vials?state= means when it is left out: whatever has not gone.
var inStock = []stock.State{stock.InPreparation, stock.Available, stock.WithWard}

func stockReads() []route {
	return []route{
		get(access.Read, "/sweep", "The newest sweep list, or with now=true the list as it would be made now, without a number.", getSweep,
			parameter{"now", "boolean", "A preview instead of the newest list."}),
		get(access.Read, "/vials", "Stock by unit, shelf and beyond-use date.", getVials,
			parameter{"unit", "string", "Only this storage unit."}, parameter{"product", "string", "Only this product, by code."},
			parameter{"state", "string", "Only this state; left out: prepared, available and issued; any: all."}),
		get(access.Read, "/vials/{code}", "A vial's whole life: who made it, from what, where it has been, what was decided.", getVial),
		get(access.Read, "/vials/{code}/exposure", "How cold a vial has been kept up to an instant, and what is proposed; it decides nothing.", getExposure,
			parameter{"at", "date-time", "Up to when; now if left out."}),
		get(access.Read, "/vials/{code}/place", "What placing a vial there would make of its beyond-use date; nothing is recorded.", getPlacing,
			parameter{"to", "string", "Shelf, as UNIT/SHELF."}, parameter{"at", "date-time", "When it would be placed; now if left out."}),
		get(access.Read, "/products/{code}/materials", "What so many finished vials of a product take, with the losses its master record allows.", getMaterials,
			parameter{"vials", "integer", "Finished vials."}, parameter{"powder", "string", "Which powder; may be left out when the product has one."},
			parameter{"diluent_ml", "string", "Diluent into each source vial; as in the master record if left out."},
			parameter{"spare", "integer", "Containers and labels beyond the vials."}, parameter{"fill_each", "boolean", "A fresh syringe for every vial."}),
		get(access.Read, "/batches/{code}", "A batch, every limit its beyond-use date was chosen from, and its vials.", getBatch),
		get(access.Read, "/trace", "Everything a component's lot went into: batches, vials, every place they stood and every issue.", getTrace,
			parameter{"lot", "string", "The lot, as printed."}),
	}
}

func getSweep(ctx context.Context, q *ask, v tracker.View) (present.Sweep, error) {
	preview, err := q.flag("now")
	if err != nil {
		return present.Sweep{}, err
	}
	if preview {
		list, err := q.t.Preview(ctx, v, q.now)
		return present.Sweep{List: list}, err
	}
	rows, err := v.Sweeps(ctx, 1)
	if err != nil {
		return present.Sweep{}, err
	}
	if len(rows) == 0 {
		return present.Sweep{}, wrong(http.StatusNotFound, "No list has been made yet at site %s; now=true shows one as it would be now.", q.site.Code)
	}
	return present.SweepOf(ctx, v, rows[0], q.now)
}

func getVials(ctx context.Context, q *ask, v tracker.View) (present.VialList, error) {
	find := tracker.VialQuery{Unit: q.text("unit"), Product: q.text("product"), States: inStock}
	if find.Unit != "" {
		if _, _, ok := q.site.UnitAt(find.Unit); !ok {
			return present.VialList{}, tracker.NotFound("storage unit", find.Unit)
		}
	}
	if find.Product != "" {
		if _, err := v.Product(ctx, find.Product, 0); err != nil {
			return present.VialList{}, err
		}
	}
	switch s := stock.State(q.text("state")); {
	case s == "any":
		find.States = nil
	case slices.Contains(inStock, s), s.Closed():
		find.States = []stock.State{s}
	case s != "":
		return present.VialList{}, wrong(http.StatusBadRequest, "There is no state %q of a vial; there are prepared, available, issued, given, discarded, lost, voided, sent, and any.", s)
	}
	vials, err := v.Find(ctx, find)
	return q.as.VialList(vials), err
}

func getVial(ctx context.Context, q *ask, v tracker.View) (present.Life, error) {
	code, err := vialCode(q.r.PathValue("code"))
	if err != nil {
		return present.Life{}, err
	}
	return present.LifeOf(ctx, v, code, q.now)
}

func getExposure(ctx context.Context, q *ask, v tracker.View) (present.Exposure, error) {
	code, err := vialCode(q.r.PathValue("code"))
	if err != nil {
		return present.Exposure{}, err
	}
	at, err := q.instant("at", q.now)
	if err != nil {
		return present.Exposure{}, err
	}
	x, err := tracker.ExposureOf(ctx, v, code, at, q.now)
	return q.as.Exposure(x), err
}

func getPlacing(ctx context.Context, q *ask, v tracker.View) (present.Placing, error) {
	code, err := vialCode(q.r.PathValue("code"))
	if err != nil {
		return present.Placing{}, err
	}
	at, err := q.instant("at", q.now)
	if err != nil {
		return present.Placing{}, err
	}
	all, err := q.t.PreviewPlace(ctx, v, tracker.Place{Vials: []string{code}, To: q.text("to"), At: at})
	if err != nil {
		return present.Placing{}, err
	}
	return q.as.Placing(all[0]), nil
}

func getBatch(ctx context.Context, q *ask, v tracker.View) (present.BatchWithVials, error) {
	code, err := batchCode(q.r.PathValue("code"))
	if err != nil {
		return present.BatchWithVials{}, err
	}
	b, err := v.Batch(ctx, code)
	if err != nil {
		return present.BatchWithVials{}, err
	}
	vials, err := v.Find(ctx, tracker.VialQuery{Batch: b.Code})
	if err != nil {
		return present.BatchWithVials{}, err
	}
	return present.BatchWithVialsOf(ctx, v, b, vials, q.now)
}

func getMaterials(ctx context.Context, q *ask, v tracker.View) (present.Materials, error) {
	w := tracker.Wanted{Product: q.r.PathValue("code"), Powder: q.text("powder")}
	vials, err := q.number("vials", 0, 1, mixing.MaxVials)
	if err == nil && vials == 0 {
		err = wrong(http.StatusBadRequest, "Say how many finished vials: vials=12.")
	}
	if err != nil {
		return present.Materials{}, err
	}
	spare, err := q.number("spare", 0, 0, mixing.MaxVials)
	if err != nil {
		return present.Materials{}, err
	}
	if w.FillEach, err = q.flag("fill_each"); err != nil {
		return present.Materials{}, err
	}
	if text := q.text("diluent_ml"); text != "" {
		each, err := stock.ParseMilli(text)
		if err != nil {
			return present.Materials{}, wrong(http.StatusBadRequest, "diluent_ml=%s.", err)
		}
		w.DiluentEach = stock.Microlitres(each)
	}
	w.Vials, w.Spare = int(vials), int(spare)
	m, err := tracker.MaterialsFor(ctx, v, w)
	if err != nil {
		return present.Materials{}, err
	}
	return present.MaterialsOf(m), nil
}

func getTrace(ctx context.Context, q *ask, v tracker.View) (present.Trace, error) {
	t, err := tracker.TraceLot(ctx, v, q.text("lot"))
	return q.as.Trace(t), err
}
