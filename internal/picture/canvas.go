package picture

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strings"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgpdf"
	"gonum.org/v1/plot/vg/vgsvg"
)

// Picture is one of this package's pictures.
type Picture interface {
	// head is the title and the text alternative.
	head() (title, about string)
	// size is the natural width and height in points.
	size() (w, h vg.Length)
	draw(c draw.Canvas) error
}

// Head is what every picture says of itself.
type Head struct {
	Title string
	About string // what a person who cannot see the picture is told
}

func (h Head) head() (title, about string) { return h.Title, h.About }

// ErrEmpty is in the error of a picture that has nothing to show.
var ErrEmpty = errors.New("the picture has nothing to show: it was given no figures")

// SVG writes a picture as a document of its own, to be scaled at will.
func SVG(w io.Writer, p Picture) error {
	width, height := p.size()
	c := vgsvg.New(width, height)
	if err := onWhite(c, p); err != nil {
		return err
	}
	var b bytes.Buffer
	if _, err := c.WriteTo(&b); err != nil {
		return fmt.Errorf("write the picture: %w", err)
	}
	// The library's head gives a size in points and no text for those who hear
	// the page; its font is on few phones and gets others of its width beside it.
	_, body, _ := strings.Cut(b.String(), "<svg")
	_, body, ok := strings.Cut(body, ">\n")
	if !ok {
		return errors.New("write the picture: the SVG has no head")
	}
	body = strings.ReplaceAll(body, "font-family:Liberation Sans;font-variant:normal;font-weight:normal;font-style:normal;", "")
	title, about := p.head()
	_, err := fmt.Fprintf(w, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %g %g" role="img" aria-labelledby="title about" font-family="Liberation Sans,Arial,Helvetica,sans-serif"><title id="title">%s</title><desc id="about">%s</desc>
%s`, width.Points(), height.Points(), escaped(title), escaped(about), body)
	return err
}

// PDF writes a picture as a one-page document of its own size. Its font is in it.
func PDF(w io.Writer, p Picture) error {
	c := vgpdf.New(p.size())
	if err := onWhite(c, p); err != nil {
		return err
	}
	_, err := c.WriteTo(w)
	return err
}

func onWhite(sized vg.CanvasSizer, p Picture) error {
	c := draw.New(sized)
	c.FillPolygon(paper, []vg.Point{c.Min, {X: c.Max.X, Y: c.Min.Y}, c.Max, {X: c.Min.X, Y: c.Max.Y}})
	return p.draw(c)
}

// Draw puts a picture into a part of a larger canvas, for documents.
func Draw(c draw.Canvas, p Picture) error { return p.draw(c) }

func escaped(text string) string {
	var b strings.Builder
	xml.EscapeText(&b, []byte(text)) // a strings.Builder takes all
	return b.String()
}
