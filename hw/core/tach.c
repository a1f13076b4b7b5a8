/* Never run on real silicon: proved on the host, in simavr and in QEMU only. */
#include "tickline.h"

void tl_tach_edge(struct tl_tach *t, uint32_t tick)
{
	if (t->seen && tick - t->last < t->refractory) {
		t->rejected++;
		return;
	}
	t->last = tick;
	t->seen = true;
	if (t->n == 0 && !t->overflowed)
		t->first = t->next;
	if (t->n == TL_EDGES || t->overflowed) {
		t->overflowed = true;
		t->lost++;
	} else {
		t->tick[t->n++] = tick;
	}
	t->next++; /* every accepted edge is numbered, also one that finds no room: only its number tells */
}

void tl_tach_take(struct tl_tach *t, uint32_t now, struct tl_edges *e)
{
	TL_ENTER();
	e->n = t->n;
	e->first = t->n > 0 ? t->first : t->next;
	for (uint8_t i = 0; i < t->n; i++)
		e->tick[i] = t->tick[i];
	t->n = 0;
	t->overflowed = false;
	/* not later than the newest edge, which may lie after the last sample */
	if ((int32_t)(now - t->last) > 0x40000000l)
		t->seen = false;
	TL_LEAVE();
}
