/* Never run on real silicon: proved on the host, in simavr and in QEMU only. */
#include "tickline.h"

bool tl_ring_put(struct tl_ring *r, uint8_t b)
{
	if (tl_ring_room(r) == 0)
		return false;
	r->mem[r->head & (r->size - 1)] = b;
	TL_ENTER();
	r->head++;
	TL_LEAVE();
	return true;
}

bool tl_ring_get(struct tl_ring *r, uint8_t *b)
{
	TL_ENTER(); /* two bytes each: an 8-bit processor reads and writes them in two steps */
	bool some = r->tail != r->head;
	if (some) {
		*b = r->mem[r->tail & (r->size - 1)];
		r->tail++;
	}
	TL_LEAVE();
	return some;
}

uint16_t tl_ring_room(const struct tl_ring *r)
{
	TL_ENTER();
	uint16_t used = (uint16_t)(r->head - r->tail);
	TL_LEAVE();
	return (uint16_t)(r->size - used);
}
