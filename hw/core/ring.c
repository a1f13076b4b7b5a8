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
	uint16_t tail = r->tail;
	if (tail == r->head)
		return false;
	*b = r->mem[tail & (r->size - 1)];
	r->tail = (uint16_t)(tail + 1);
	return true;
}

uint16_t tl_ring_room(const struct tl_ring *r)
{
	TL_ENTER();
	uint16_t used = (uint16_t)(r->head - r->tail);
	TL_LEAVE();
	return (uint16_t)(r->size - used);
}
