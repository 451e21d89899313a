package access

import (
	"time"

	"vialward/tracker/stock"
)

// Beside looks at the person named as standing beside whoever does an operation. asked says whether the product is for two
// persons; it counts only where the rule leaves that to the product. A witness named without need has to be one all the
// same. The refusal's vial is the caller's to fill in.
func Beside(s *stock.Site, op Operation, by, witness string, asked bool, at time.Time) *stock.Refusal {
	second := table[op].Second
	if witness == "" && (second == Alone || second == AsProductAsks && !asked) {
		return nil
	}
	who, ok := s.Person(witness)
	switch {
	case second == OtherPharmacist && (!ok || witness == by || !who.Is(stock.Pharmacist)):
		return stock.Refuse("two_persons", "", "this takes two pharmacists; name the other one as witness")
	case witness == "":
		return stock.Refuse("two_persons", "", "this takes two persons; name the other one as witness")
	case witness == by:
		return stock.Refuse("two_persons", "", "nobody is their own witness; name somebody else")
	case !ok || who.Gone(at):
		return stock.Refuse("two_persons", "", "the witness %q is nobody of site %s; name somebody who is", witness, s.Code)
	case !who.Is(witnesses...):
		return stock.Refuse("two_persons", "", "%s works with no stock and can witness nothing of it; name a %s", witness, orList(witnesses))
	}
	return nil
}

// witnesses are the roles of those who may stand beside.
var witnesses = []string{stock.Technician, stock.Pharmacist, stock.OnCall, stock.Manager}
