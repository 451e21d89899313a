// Package label is what a label must say, and the codes on it: the short code people read and type, and the GS1
// element string a scanner reads. Drawing is done elsewhere. Pure.
package label
