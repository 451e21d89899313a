// Package stock holds vials, batches, products, places and holds: what they are, the states they pass through and
// what may follow what. Pure: the time is a parameter.
package stock
