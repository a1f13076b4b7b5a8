/* Never run on real silicon: proved on the host, in simavr and in QEMU only. */
#include "tickline.h"

/* unstuff undoes COBS in place and returns the length, 0 where a distance points past the end. */
static uint8_t unstuff(uint8_t *raw, uint8_t n)
{
	uint8_t at = 0, len = 0;
	while (at < n) {
		uint8_t distance = raw[at++];
		if (distance == 0 || distance > n - at + 1)
			return 0;
		for (uint8_t i = 1; i < distance; i++)
			raw[len++] = raw[at++];
		if (at < n)
			raw[len++] = 0;
	}
	return len;
}

static uint32_t word(const uint8_t *p)
{
	return p[0] | (uint32_t)p[1] << 8 | (uint32_t)p[2] << 16 | (uint32_t)p[3] << 24;
}

static bool accept(struct tl_parser *p, struct tl_command *out)
{
	uint8_t n = unstuff(p->raw, p->n);
	if (n < 7)
		return false;
	uint32_t crc = TL_CRC_START;
	for (uint8_t i = 0; i < n - 4; i++)
		crc = tl_crc_byte(crc, p->raw[i]);
	if (tl_crc_end(crc) != word(p->raw + n - 4))
		return false;
	uint8_t body = (uint8_t)(n - 7);
	out->type = p->raw[0];
	out->seq = (uint16_t)(p->raw[1] | p->raw[2] << 8);
	out->period_ticks = 0;
	switch (out->type) {
	case TL_ASK:
	case TL_START:
	case TL_STOP:
		return body == 0;
	case TL_LOOPBACK:
		if (body != 4)
			return false;
		out->period_ticks = word(p->raw + 3);
		return true;
	}
	return false;
}

bool tl_receive(struct tl_parser *p, uint8_t b, struct tl_command *out)
{
	if (b != 0) {
		if (p->n < sizeof p->raw)
			p->raw[p->n++] = b;
		else
			p->too_long = true;
		return false;
	}
	bool good = p->n > 0 && !p->too_long && accept(p, out);
	if (p->n > 0 && !good)
		p->refused++;
	p->n = 0;
	p->too_long = false;
	return good;
}
