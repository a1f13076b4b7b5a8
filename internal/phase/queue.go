package phase

// mark is one tach edge waiting for its samples or its judgement.
type mark struct {
	pos  float64 // in the extractor's buffer
	lost bool    // edges are missing before it
}

// queue holds edges in order. It is bounded: edges far ahead of their samples, as
// of a tach that fires like noise, fill it; what finds no room is counted.
type queue struct {
	marks []mark
	head  int // index of the oldest
	n     int
	last  float64 // position of the newest ever pushed; meaningful if any
	num   uint64
	any   bool
	lost  bool // the next edge pushed follows lost ones
}

// newQueue makes room for the turns that judging begins with, of so many marks each.
func newQueue(pulses int) queue {
	return queue{marks: make([]mark, max(leastQueue, (warmUp+2)*min(pulses, maxMarks)))}
}

const leastQueue = 512

func (q *queue) len() int { return q.n }

func (q *queue) full() bool { return q.n == len(q.marks) }

func (q *queue) clear() { q.head, q.n, q.any, q.lost = 0, 0, false, false }

func (q *queue) at(i int) *mark { return &q.marks[(q.head+i)%len(q.marks)] }

// push takes an edge that lies after all earlier ones; false refuses it.
func (q *queue) push(pos float64, number uint64) bool {
	if q.any && pos <= q.last || q.n == len(q.marks) {
		q.lost = true
		return false
	}
	if q.any && number != q.num+1 {
		q.lost = true
	}
	*q.at(q.n) = mark{pos, q.lost}
	q.n++
	q.last, q.num, q.any, q.lost = pos, number, true, false
	return true
}

// ready returns the oldest edge if samples reach to limit beyond it and enough
// edges follow.
func (q *queue) ready(follow int, limit float64) (mark, bool) {
	if q.n <= follow || !(q.at(0).pos <= limit) {
		return mark{}, false
	}
	return *q.at(0), true
}

func (q *queue) pop() {
	q.head = (q.head + 1) % len(q.marks)
	q.n--
}

func (q *queue) oldest() (float64, bool) {
	if q.n == 0 {
		return 0, false
	}
	return q.at(0).pos, true
}

func (q *queue) dropBefore(pos float64) {
	for q.n > 0 && q.at(0).pos < pos {
		q.pop()
	}
}

// shift moves the origin of positions by by samples.
func (q *queue) shift(by float64) {
	for i := range q.n {
		q.at(i).pos -= by
	}
	q.last -= by
}
