package chain

import "fmt"

// Row is an event as it is found in a record that may have been tampered with.
type Row struct {
	Seq     int64 // its place in the table
	Own     int64 // its place by its own line
	Content Hash
	Hash    Hash
}

// Kind of a fault.
type Kind string

// What can be wrong with a record.
const (
	Changed    Kind = "changed"
	Removed    Kind = "removed"
	OutOfPlace Kind = "out of place"
	SlippedIn  Kind = "slipped in"
	BackDated  Kind = "back-dated"
	Disagrees  Kind = "disagrees" // a row of another table, with the events
	Rewritten  Kind = "rewritten" // of one piece, and not what was published
)

// Fault is something wrong, said so that a person can look at it.
type Fault struct {
	Seq  int64 // the event it is about, 0 for none
	Kind Kind
	Say  string
	Row  bool // it is about a row of another table that the event speaks for
}

// Walker walks the events of one site in the order of their places. Its head is what the chain comes to. After a fault it
// goes on from what stands there, so that a second fault is seen too.
type Walker struct {
	Head Head

	before Head  // what it was before the last row that followed
	shift  int64 // by how much places found are beyond the true ones
	skip   bool  // this row was looked at together with the one before
}

// Step looks at the next row; ahead is the one after it, nil at the end. It answers what is wrong, nil for nothing.
func (w *Walker) Step(row Row, ahead *Row) *Fault {
	due := w.Head.Seq + 1
	switch {
	case w.skip:
		w.skip = false
		return nil
	case row.Seq-w.shift > due: // what this row was bound to is not there
		w.Head = Head{row.Seq - w.shift, row.Hash}
		return &Fault{Seq: due, Kind: Removed, Say: removed(due, w.Head.Seq-1)}
	case Link(w.Head.Hash, row.Content) != row.Hash:
		return w.broken(row, ahead, due)
	case row.Own != due:
		w.Head = Head{due, row.Hash}
		return &Fault{Seq: row.Seq, Kind: OutOfPlace, Say: fmt.Sprintf("event %d says by its own line that it is event %d", row.Seq, row.Own)}
	default:
		w.before, w.Head = w.Head, Head{due, row.Hash}
		return nil
	}
}

// broken finds out why a row does not follow from the one before it.
func (w *Walker) broken(row Row, ahead *Row, due int64) *Fault {
	if ahead != nil && row.Own == due+1 && ahead.Own == due {
		first := Link(w.Head.Hash, ahead.Content)
		w.Head, w.skip = Head{due + 1, Link(first, row.Content)}, true
		return &Fault{Seq: due, Kind: OutOfPlace, Say: fmt.Sprintf("events %d and %d stand in each other's place", due, due+1)}
	}
	if ahead != nil && Link(w.Head.Hash, ahead.Content) == ahead.Hash {
		w.shift = ahead.Seq - due
		return &Fault{Seq: row.Seq, Kind: SlippedIn, Say: fmt.Sprintf("event %d was slipped in: the one after it follows from the one before it", row.Seq)}
	}
	switch {
	case w.before.Seq == due-2 && Link(w.before.Hash, row.Content) == row.Hash:
		w.shift = row.Seq - (due - 1)
		w.Head = Head{due - 1, row.Hash}
		return &Fault{Seq: row.Seq - 1, Kind: SlippedIn, Say: fmt.Sprintf("event %d was slipped in: the one after it follows from the one before it", row.Seq-1)}
	case row.Own > due:
		w.shift = row.Seq - row.Own
		w.Head = Head{row.Own, row.Hash}
		return &Fault{Seq: due, Kind: Removed, Say: removed(due, row.Own-1) + ", and what follows was moved up"}
	case row.Own < due:
		w.Head = Head{due, row.Hash}
		return &Fault{Seq: row.Seq, Kind: OutOfPlace, Say: fmt.Sprintf("event %d says by its own line that it is event %d", row.Seq, row.Own)}
	default:
		w.Head = Head{due, row.Hash}
		say := fmt.Sprintf("event %d was changed", row.Seq)
		if due > 1 {
			say += fmt.Sprintf(", or event %d was changed and bound anew: the one does not follow from the other", row.Seq-1)
		}
		return &Fault{Seq: row.Seq, Kind: Changed, Say: say}
	}
}

func removed(from, to int64) string {
	if from == to {
		return fmt.Sprintf("event %d was removed", from)
	}
	return fmt.Sprintf("events %d to %d were removed", from, to)
}

// Close compares what the walk came to with the head that stands beside the events.
func (w *Walker) Close(stored Head) *Fault {
	switch {
	case stored == w.Head:
		return nil
	case stored.Seq > w.Head.Seq:
		return &Fault{Seq: w.Head.Seq + 1, Kind: Removed, Say: removed(w.Head.Seq+1, stored.Seq) + " from the end"}
	default:
		return &Fault{Seq: w.Head.Seq, Kind: Changed, Say: fmt.Sprintf("the site's head is %s, and its events come to %s", stored, w.Head)}
	}
}
