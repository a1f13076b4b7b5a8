// Package picture draws what was measured for paper and page: spectra, polar
// pictures, trends, run-ups. The same code writes SVG and PDF.
//
// It converts nothing and knows no words: figures come in the unit in which
// they shall be read, texts in the reader's language. Every picture has a title
// and a text alternative, which the SVG carries for screen readers.
//
// Pictures are drawn dark on white, so that they survive a copier; series are
// told apart by dashes, shapes and letters first and by colours second, and the
// colours stay apart for people who see fewer of them. They are those of the
// page.
package picture
