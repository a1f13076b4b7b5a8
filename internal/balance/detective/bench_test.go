package detective

import (
	"fmt"
	"math/rand/v2"
	"testing"
)

func BenchmarkInspect(b *testing.B) {
	for _, z := range [][3]int{{1, 1, 3}, {2, 4, 4}, {2, 12, 6}} {
		b.Run(fmt.Sprintf("planes=%d/sensors=%d/runs=%d", z[0], z[1], z[2]), func(b *testing.B) {
			c := random(rand.New(rand.NewPCG(1, 1)), z[0], z[1], z[2])
			for b.Loop() {
				Inspect(c)
			}
		})
	}
}
