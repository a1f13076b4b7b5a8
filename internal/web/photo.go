package web

import (
	"bytes"
	bin "encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	_ "image/png" // telephones take screenshots as PNG
	"io"
	"net/http"
	"strings"
	"sync"

	"golang.org/x/image/draw"

	"counterpoise/internal/store"
)

// What a photograph may be: so large as a file, and so many points; a picture
// that unpacks to more is no photograph of a fan.
const (
	maxUpload = 16 << 20
	maxPoints = 64 << 20
	photoEdge = 2000 // points of the longer edge as it is kept
)

// decoding lets one photograph be unpacked at a time: each may take 200 MB.
var decoding sync.Mutex

// cleanPhoto reads a JPEG or PNG and writes it anew as a JPEG of bounded size,
// the right way up. Nothing else that was in the file - places, serial numbers,
// programs - is kept.
func cleanPhoto(r io.Reader) ([]byte, error) {
	raw, err := io.ReadAll(io.LimitReader(r, maxUpload+1))
	if err != nil {
		return nil, err
	}
	if len(raw) > maxUpload {
		return nil, fmt.Errorf(say("photo.large"), maxUpload>>20)
	}
	c, kind, err := image.DecodeConfig(bytes.NewReader(raw))
	if err != nil || kind != "jpeg" && kind != "png" {
		return nil, errors.New(say("photo.kind"))
	}
	if c.Width < 1 || c.Height < 1 || c.Width > maxPoints/c.Height {
		return nil, fmt.Errorf(say("photo.points"), c.Width, c.Height)
	}
	decoding.Lock()
	defer decoding.Unlock()
	img, _, err := image.Decode(bytes.NewReader(raw))
	if err != nil {
		return nil, fmt.Errorf(say("photo.broken"), err)
	}
	var b bytes.Buffer
	err = jpeg.Encode(&b, upright(smaller(img), orientation(raw)), &jpeg.Options{Quality: 82})
	return b.Bytes(), err
}

// smaller scales a picture down to the edge that is kept, on white.
func smaller(img image.Image) *image.RGBA {
	w, h := img.Bounds().Dx(), img.Bounds().Dy()
	if most := max(w, h); most > photoEdge {
		w, h = max(1, w*photoEdge/most), max(1, h*photoEdge/most)
	}
	out := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(out, out.Bounds(), image.NewUniform(color.White), image.Point{}, draw.Src)
	draw.ApproxBiLinear.Scale(out, out.Bounds(), img, img.Bounds(), draw.Over, nil)
	return out
}

// upright turns and mirrors a picture as its camera said (EXIF tag 0x0112, values
// 1 to 8; EXIF 2.3, CIPA DC-008, from memory).
func upright(in *image.RGBA, how int) *image.RGBA {
	if how < 2 || how > 8 {
		return in
	}
	w, h := in.Bounds().Dx(), in.Bounds().Dy()
	out := image.NewRGBA(image.Rect(0, 0, w, h))
	if how >= 5 {
		out = image.NewRGBA(image.Rect(0, 0, h, w))
	}
	for y := range h {
		for x := range w {
			X, Y := x, y
			switch how {
			case 2:
				X = w - 1 - x
			case 3:
				X, Y = w-1-x, h-1-y
			case 4:
				Y = h - 1 - y
			case 5:
				X, Y = y, x
			case 6:
				X, Y = h-1-y, x
			case 7:
				X, Y = h-1-y, w-1-x
			case 8:
				X, Y = y, w-1-x
			}
			out.SetRGBA(X, Y, in.RGBAAt(x, y))
		}
	}
	return out
}

// orientation finds the camera's word on which way is up in a JPEG; 1 where there
// is none.
func orientation(b []byte) int {
	for i := 2; i+10 < len(b) && b[i] == 0xff && b[i+1] != 0xda; {
		n := int(bin.BigEndian.Uint16(b[i+2:]))
		if n < 2 || i+2+n > len(b) {
			break
		}
		if body := b[i+4 : i+2+n]; b[i+1] == 0xe1 && bytes.HasPrefix(body, []byte("Exif\x00\x00")) {
			return exifOrientation(body[6:])
		}
		i += 2 + n
	}
	return 1
}

func exifOrientation(t []byte) int {
	var order bin.ByteOrder = bin.LittleEndian
	if len(t) < 8 {
		return 1
	}
	if bytes.HasPrefix(t, []byte("MM")) {
		order = bin.BigEndian
	}
	at := int(order.Uint32(t[4:]))
	if at < 8 || at+2 > len(t) {
		return 1
	}
	for i := range int(order.Uint16(t[at:])) {
		e := at + 2 + 12*i
		if e+12 > len(t) {
			break
		}
		if order.Uint16(t[e:]) == 0x0112 {
			return int(order.Uint16(t[e+8:]))
		}
	}
	return 1
}

// photograph keeps the photograph of a form with the job, if one was chosen, and
// returns the name of its file.
func (s *Server) photograph(r *http.Request, b *bench, what string) (string, error) {
	if r.MultipartForm == nil || len(r.MultipartForm.File["photo"]) == 0 || r.MultipartForm.File["photo"][0].Size == 0 {
		return "", nil
	}
	f, err := r.MultipartForm.File["photo"][0].Open()
	if err != nil {
		return "", fieldError{"photo", err.Error()}
	}
	defer f.Close()
	body, err := cleanPhoto(f)
	if err != nil {
		return "", fieldError{"photo", err.Error()}
	}
	if what = strings.TrimSpace(what); what == "" {
		what = "photograph"
	}
	kept, err := s.desk.jobs.AddFile(r.Context(), b.id, store.File{Name: what + ".jpg", Kind: store.KindPhotograph, At: s.now()}, bytes.NewReader(body))
	return kept.Name, err
}
