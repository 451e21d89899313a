// Package render draws what people read as pictures: temperature traces. It is the only package that may import a
// drawing library; the traces need none. All coordinates are integers, tenths of a pixel, so that the same readings give
// the same bytes on every machine.
package render
