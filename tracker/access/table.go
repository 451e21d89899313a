package access

import (
	"maps"
	"slices"

	"vialward/tracker/stock"
)

// Operation is one thing that can be asked for. Pages, routes and commands name theirs; what is not in the table may be
// done by nobody.
type Operation string

// Rule is a line of the table.
type Rule struct {
	Do    string   // completes "rph-1 may not ..."
	Roles []string // any one of them is enough; none = no person as such
	Reads bool     // nothing is changed by it

	Needs     string // competency without which a person's role is not enough
	Hazardous string // a further one, where the product is hazardous
	Wanted    string // competency whose lapse is shown and keeps nobody from it

	Signed string // what a signature under it means; "" = it is not signed
	Second Second // who stands beside

	Machine bool // also whoever runs vialward on the machine, without naming a person
	Daemon  bool // also a rule or a clock, by itself
	Anyone  bool // also somebody nobody knows: health, the sign-in page, calculators
}

// Second says whether an operation takes two persons, and who the other one may be.
type Second string

// The kinds there are.
const (
	Alone           Second = ""
	Witness         Second = "witness"        // somebody else who works with the stock
	OtherPharmacist Second = "pharmacist"     // another pharmacist
	AsProductAsks   Second = "product's word" // a witness where the product is for two persons
)

// What can be asked for of stock.
const (
	Prepare  Operation = "prepare"
	TakeOver Operation = "take-over"
	Label    Operation = "label"
	Verify   Operation = "verify"
	Place    Operation = "place"
	Issue    Operation = "issue"
	Give     Operation = "give"
	Return   Operation = "return"
	Enter    Operation = "enter"
	Hold     Operation = "hold"
	Lift     Operation = "lift"
	Release  Operation = "release"
	Shorten  Operation = "shorten"
	Relabel  Operation = "relabel"
	Discard  Operation = "discard"
	Lose     Operation = "lose"
	Void     Operation = "void"
	Send     Operation = "send"
	Find     Operation = "find"
	Count    Operation = "count"
	Recall   Operation = "recall"
	Short    Operation = "fall-short"
	Correct  Operation = "correct-cause"

	SignStep     Operation = "sign-step"
	CloseBatch   Operation = "close-batch"
	ExplainYield Operation = "explain-yield"
)

// What can be asked for of a site, its temperatures and its people.
const (
	Confirm       Operation = "confirm-sweep"
	WriteReadings Operation = "write-readings"
	Withdraw      Operation = "withdraw-readings"
	DeclareZone   Operation = "declare-zone"
	PlanWork      Operation = "plan-work"
	SetArea       Operation = "set-area"
	SetUp         Operation = "set-up-site"
	LoadSite      Operation = "load-site"
	AddPerson     Operation = "add-person"
	ChangePerson  Operation = "change-person"
	Assess        Operation = "assess"
	MakeToken     Operation = "make-token"
	MakeOthers    Operation = "make-token-for-another"
	OwnAccount    Operation = "own-account"
	SeeAccounts   Operation = "see-accounts"
	FirstPassword Operation = "first-password"
	ResetPassword Operation = "reset-password"
	EndSessions   Operation = "end-sessions"
)

// What only looks, and what asks for no person.
const (
	Read      Operation = "read"
	ReadMail  Operation = "read-mail"
	Check     Operation = "check-record"
	Operate   Operation = "operate"
	Calculate Operation = "calculate"
	SignIn    Operation = "sign-in"
	Watch     Operation = "watch"
	Demo      Operation = "demonstrate" // what only the demonstration has: its caught mail, becoming somebody invented
)

var (
	bench   = []string{stock.Technician, stock.Pharmacist}
	decides = []string{stock.Pharmacist}
	runs    = []string{stock.Administrator}
	staff   = []string{stock.Technician, stock.Pharmacist, stock.OnCall, stock.Manager, stock.Administrator}
	readers = append(slices.Clone(staff), stock.Inspector)
)

var table = map[Operation]Rule{
	Prepare:  {Do: "prepare a batch", Roles: bench, Needs: stock.Aseptic, Hazardous: stock.Hazardous},
	TakeOver: {Do: "take over stock", Roles: decides},
	Label:    {Do: "label vials", Roles: bench},
	Verify:   {Do: "verify vials", Roles: decides, Needs: stock.Verifying, Signed: "checked against its record, and fit for use"},
	Place:    {Do: "move stock", Roles: []string{stock.Technician, stock.Pharmacist, stock.OnCall}},
	Issue:    {Do: "issue vials", Roles: bench},
	Give:     {Do: "record that vials were given", Roles: bench},
	Return:   {Do: "take vials back", Roles: bench},
	Enter:    {Do: "enter a vial", Roles: bench},
	Hold:     {Do: "put vials on hold", Roles: staff}, // the safe direction: whoever works here may
	Lift:     {Do: "lift a hold", Roles: decides, Needs: stock.Releasing, Signed: "released from this hold", Second: AsProductAsks},
	Release:  {Do: "release stock", Roles: decides, Needs: stock.Releasing, Signed: "released from the case's holds", Second: AsProductAsks},
	Shorten:  {Do: "shorten a beyond-use date", Roles: decides, Signed: "the beyond-use date is the earlier one"},
	Relabel:  {Do: "relabel vials", Roles: bench},
	Discard:  {Do: "discard vials", Roles: bench, Second: AsProductAsks},
	Lose:     {Do: "record a loss", Roles: []string{stock.Pharmacist, stock.Manager}, Second: Witness},
	Void:     {Do: "void a record", Roles: decides, Second: OtherPharmacist},
	Send:     {Do: "send stock away", Roles: decides},
	Find:     {Do: "record a find", Roles: []string{stock.Technician, stock.Pharmacist, stock.Manager}},
	Count:    {Do: "count stock", Roles: []string{stock.Technician, stock.Pharmacist, stock.Manager}},
	Recall:   {Do: "open a recall", Roles: decides},
	Short:    {Do: "record that stock fell short", Roles: []string{stock.Technician, stock.Pharmacist, stock.Manager}},
	Correct:  {Do: "correct a cause", Roles: []string{stock.Pharmacist, stock.Manager}},

	SignStep:     {Do: "sign a step of a batch's record", Roles: bench, Needs: stock.Aseptic},
	CloseBatch:   {Do: "close a batch", Roles: bench, Second: AsProductAsks},
	ExplainYield: {Do: "explain a yield outside its tolerance", Roles: decides},

	Confirm:       {Do: "confirm a sweep", Roles: bench, Wanted: stock.Sweeping, Signed: "the list was worked"},
	WriteReadings: {Do: "bring in temperatures", Roles: append(slices.Clone(staff), stock.Logger), Machine: true, Daemon: true},
	Withdraw:      {Do: "withdraw an intake", Roles: []string{stock.Pharmacist, stock.Administrator}},
	DeclareZone:   {Do: "declare a sensor's zone", Roles: []string{stock.Pharmacist, stock.Administrator}},
	PlanWork:      {Do: "plan work on a unit", Roles: []string{stock.Technician, stock.Pharmacist, stock.Manager, stock.Administrator}},
	SetArea:       {Do: "set what an area may do", Roles: []string{stock.Pharmacist, stock.Administrator}},

	SetUp:        {Do: "set up a new site", Machine: true},
	LoadSite:     {Do: "change what is set up about the site", Roles: []string{stock.Pharmacist, stock.Administrator}, Signed: "the site and its products as written here"},
	AddPerson:    {Do: "add people", Roles: runs},
	ChangePerson: {Do: "change what is set up about a person", Roles: runs},
	Assess:       {Do: "record an assessment", Roles: []string{stock.Pharmacist, stock.Manager}},
	MakeToken:    {Do: "make a token of their own", Roles: readers},
	MakeOthers:   {Do: "make tokens for others", Roles: runs},

	OwnAccount:    {Do: "look after an account of their own", Roles: readers},
	SeeAccounts:   {Do: "see who is signed in", Roles: []string{stock.Administrator, stock.Inspector}, Reads: true, Machine: true},
	FirstPassword: {Do: "give the first administrator a password", Machine: true},
	ResetPassword: {Do: "give out a new password", Roles: runs},
	EndSessions:   {Do: "end somebody else's session", Roles: runs},

	Read:      {Do: "look at the record", Roles: readers, Reads: true, Machine: true},
	ReadMail:  {Do: "look at mails", Roles: readers, Reads: true, Machine: true},
	Check:     {Do: "check the record against itself", Roles: readers, Reads: true, Machine: true},
	Operate:   {Do: "run the program", Machine: true},
	Calculate: {Do: "calculate", Anyone: true, Reads: true},
	SignIn:    {Do: "sign in", Anyone: true, Reads: true}, // the record is what it was
	Watch:     {Do: "ask whether the program is well", Anyone: true, Reads: true},
	Demo:      {Do: "look around in the demonstration", Anyone: true, Reads: true},
}

// Of an operation, its rule; false for what is not in the table.
func Of(op Operation) (Rule, bool) {
	r, ok := table[op]
	return r, ok
}

// Operations lists the table's, in alphabetical order.
func Operations() []Operation { return slices.Sorted(maps.Keys(table)) }
