/* Never run on real silicon: proved on the host, in simavr and in QEMU only. */
#include "tickline.h"

bool tl_boxcar_add(struct tl_boxcar *b, const int16_t *in, int32_t *out)
{
	for (uint8_t c = 0; c < b->channels; c++)
		b->sum[c] += in[c];
	if (++b->have < b->n)
		return false;
	b->have = 0;
	for (uint8_t c = 0; c < b->channels; c++) {
		out[c] = b->sum[c];
		b->sum[c] = 0;
	}
	return true;
}
