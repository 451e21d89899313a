// Package waste says how many vials of a batch will be left over and how many will be missing, and which batch costs
// least. Demand is that of one batch's usable life; what is left then is discarded. Pure: chance comes from a seed.
package waste
