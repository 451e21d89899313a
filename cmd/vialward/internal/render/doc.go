// Package render draws what people read as pictures: temperature traces, control charts, rankings. It is the only package
// that may import a drawing or spreadsheet library; the pictures need none. All coordinates are integers, tenths of a
// pixel, so that the same figures give the same bytes on every machine.
package render
