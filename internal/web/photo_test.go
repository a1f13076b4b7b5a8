package web

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/gif"
	"image/jpeg"
	"image/png"
	"math/rand/v2"
	"strings"
	"testing"
)

// corner is a picture whose top left quarter is red, the rest blue.
func corner(w, h int) image.Image {
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			c := color.RGBA{0, 0, 200, 255}
			if x < w/2 && y < h/2 {
				c = color.RGBA{220, 0, 0, 255}
			}
			img.SetRGBA(x, y, c)
		}
	}
	return img
}

func jpegOf(t *testing.T, img image.Image) []byte {
	var b bytes.Buffer
	must(t, jpeg.Encode(&b, img, nil))
	return b.Bytes()
}

// withExif puts an EXIF segment that says which way is up behind the first marker.
func withExif(b []byte, how byte) []byte {
	tiff := []byte{'I', 'I', 42, 0, 8, 0, 0, 0, 1, 0, 0x12, 1, 3, 0, 1, 0, 0, 0, how, 0, 0, 0, 0, 0, 0, 0}
	body := append([]byte("Exif\x00\x00"), tiff...)
	body = append(body, "secret place"...)
	seg := append([]byte{0xff, 0xe1, 0, byte(len(body) + 2)}, body...)
	return append(append(append([]byte{}, b[:2]...), seg...), b[2:]...)
}

// A photograph is written anew: the right way up whatever the camera said, no
// larger than is needed, and without anything that was hidden in it.
func TestPhotographIsCleaned(t *testing.T) {
	plain := jpegOf(t, corner(400, 200))
	for how, red := range map[byte][2]int{1: {0, 0}, 2: {1, 0}, 3: {1, 1}, 4: {0, 1}, 5: {0, 0}, 6: {1, 0}, 7: {1, 1}, 8: {0, 1}, 99: {0, 0}} {
		out, err := cleanPhoto(bytes.NewReader(withExif(plain, how)))
		must(t, err)
		if bytes.Contains(out, []byte("secret")) || bytes.Contains(out, []byte("Exif")) {
			t.Error("what was hidden in the file is still in it")
		}
		img, err := jpeg.Decode(bytes.NewReader(out))
		must(t, err)
		w, h := img.Bounds().Dx(), img.Bounds().Dy()
		if turned := how >= 5 && how <= 8; turned && (w != 200 || h != 400) || !turned && (w != 400 || h != 200) {
			t.Errorf("orientation %d: %d x %d", how, w, h)
		}
		for _, q := range [][2]int{{0, 0}, {1, 0}, {0, 1}, {1, 1}} {
			r, _, b, _ := img.At(w/4+q[0]*w/2, h/4+q[1]*h/2).RGBA()
			if (r > b) != (q == red) {
				t.Errorf("orientation %d: quarter %v is red: %v", how, q, r > b)
			}
		}
	}
	out, err := cleanPhoto(bytes.NewReader(jpegOf(t, corner(5000, 2500))))
	must(t, err)
	if c, err := jpeg.DecodeConfig(bytes.NewReader(out)); err != nil || c.Width != photoEdge || c.Height != photoEdge/2 {
		t.Errorf("kept as %d x %d, %v", c.Width, c.Height, err)
	}
	var shot bytes.Buffer
	must(t, png.Encode(&shot, corner(30, 30)))
	if _, err := cleanPhoto(&shot); err != nil {
		t.Errorf("a PNG: %v", err)
	}
}

// What is no photograph is refused with a sentence, and nothing is unpacked that
// would fill the memory.
func TestPhotographRefused(t *testing.T) {
	noise := make([]byte, maxUpload+2)
	rng := rand.New(rand.NewPCG(1, 1))
	for i := range noise {
		noise[i] = byte(rng.Uint32())
	}
	var moving bytes.Buffer
	must(t, gif.Encode(&moving, corner(4, 4), nil))
	whole := jpegOf(t, corner(200, 200))
	var bomb bytes.Buffer
	must(t, png.Encode(&bomb, corner(4, 4)))
	huge := bomb.Bytes()
	copy(huge[16:], []byte{0, 1, 0, 0, 0, 1, 0, 0}) // 65,536 points each way; its checksum is wrong then, too
	for name, c := range map[string]struct {
		body []byte
		want string
	}{
		"a program": {[]byte("<script>alert(1)</script>"), "no JPEG or PNG"},
		"a GIF":     {moving.Bytes(), "no JPEG or PNG"},
		"an SVG":    {[]byte(`<svg xmlns="http://www.w3.org/2000/svg"/>`), "no JPEG or PNG"},
		"nothing":   {nil, "no JPEG or PNG"},
		"cut off":   {whole[:len(whole)/2], "damaged"},
		"too large": {noise, "larger than 16 MB"},
	} {
		if _, err := cleanPhoto(bytes.NewReader(c.body)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
	if _, err := cleanPhoto(bytes.NewReader(huge)); err == nil {
		t.Error("a picture of 4,294,967,296 points was unpacked")
	}
	big := image.Config{Width: 1 << 16, Height: 1 << 15}
	if !(big.Width > maxPoints/big.Height) {
		t.Error(fmt.Sprint("the bound on points does not hold for ", big))
	}
}

func FuzzOrientation(f *testing.F) {
	f.Add([]byte("\xff\xd8\xff\xe1\x00\x20Exif\x00\x00II*\x00\x08\x00\x00\x00\x01\x00\x12\x01\x03\x00\x01\x00\x00\x00\x06\x00\x00\x00"))
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, b []byte) { orientation(b) }) // must not panic
}
