// Package waste says what was thrown away and why, and how much to make tomorrow. Make is the report of a period; Advise
// says how many vials of a batch will be left over and how many will be missing, and which batch costs least: demand is
// that of one batch's usable life, and what is left then is discarded. Pure: chance comes from a seed.
package waste
