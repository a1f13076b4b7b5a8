package phase

// held is the samples that a turn may still need. Those of the block at hand
// are read where they lie; only what must wait for the edge that closes its turn
// is copied, when the block goes back to its owner.
type held struct {
	buf  [][]float32 // [channel] kept samples; then some of the block's, see samples
	lent [][]float32 // [channel] the block's, which follow the kept ones
	kept int         // samples of a channel in buf
	n    int         // samples of a channel in all
	room int         // the most there may be
	// ahead [channel] is how many of the lent samples follow the kept ones in buf.
	ahead []int
}

func newHeld(channels, room int) held {
	h := held{buf: make([][]float32, channels), lent: make([][]float32, channels), ahead: make([]int, channels), room: room}
	for c := range h.buf {
		h.buf[c] = make([]float32, room)
	}
	return h
}

func (h *held) clear() { h.kept, h.n = 0, 0 }

// lend adds as many samples of x from from on as there is room for and returns
// where the next begin. They must stay as they are until keep.
func (h *held) lend(x [][]float32, from int) int {
	to := from + min(len(x[0])-from, h.room-h.kept)
	for c := range h.lent {
		h.lent[c], h.ahead[c] = x[c][from:to], 0
	}
	h.n = h.kept + to - from
	return to
}

// keep forgets the samples before from and copies what was lent. It returns
// how many it forgot: none where that would move much to win little, unless it
// must.
func (h *held) keep(from int, must bool) (forgot int) {
	if from <= 0 || from < h.kept && from < h.n/4+1 && !must {
		from = 0
	}
	for c, b := range h.buf {
		if from >= h.kept {
			copy(b, h.lent[c][from-h.kept:])
		} else {
			if from > 0 {
				copy(b, b[from:h.kept])
			}
			copy(b[h.kept-from:], h.lent[c])
		}
		h.lent[c] = nil
	}
	h.n -= from
	h.kept = h.n
	return from
}

// samples are count samples from first on. Where they begin among the kept ones
// and end among the lent, the latter are copied behind the former: once a block,
// for the turn that was open when it came.
func (h *held) samples(channel, first, count int) []float32 {
	if first >= h.kept {
		return h.lent[channel][first-h.kept:][:count]
	}
	b, need := h.buf[channel], first+count-h.kept
	if need > h.ahead[channel] {
		copy(b[h.kept:], h.lent[channel][:need])
		h.ahead[channel] = need
	}
	return b[first:][:count]
}
