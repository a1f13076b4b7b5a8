/* Never run on real silicon: proved on the host, in simavr and in QEMU only. */
#include "tickline.h"

static void store(struct tl_frame *f, uint16_t at, uint8_t b)
{
	f->to->mem[at & (f->to->size - 1)] = b;
}

/* stuff writes one byte of the frame: a zero becomes the distance to the next one. */
static void stuff(struct tl_frame *f, uint8_t b)
{
	if (f->at == f->end) {
		f->full = true;
		return;
	}
	if (b == 0) {
		store(f, f->code_at, f->distance);
		f->code_at = f->at;
		f->distance = 0;
	} else {
		store(f, f->at, b);
	}
	f->at++;
	f->distance++; /* a frame is shorter than 254 bytes, so this never reaches FF */
}

void tl_begin(struct tl_frame *f, struct tl_ring *to, uint8_t type, uint16_t seq)
{
	uint16_t room = tl_ring_room(to);
	f->to = to;
	f->code_at = to->head;
	f->at = (uint16_t)(f->code_at + 1);
	f->end = (uint16_t)(f->code_at + (room < TL_MAX_WIRE ? room : TL_MAX_WIRE));
	f->full = room < 9; /* distance, type, seq, check, 00 */
	f->distance = 1;
	f->crc = TL_CRC_START;
	if (f->full)
		f->at = f->end;
	tl_u8(f, type);
	tl_u16(f, seq);
}

void tl_u8(struct tl_frame *f, uint8_t v)
{
	if (f->full)
		return;
	f->crc = tl_crc_byte(f->crc, v);
	stuff(f, v);
}

void tl_u16(struct tl_frame *f, uint16_t v)
{
	tl_u8(f, (uint8_t)v);
	tl_u8(f, (uint8_t)(v >> 8));
}

void tl_u24(struct tl_frame *f, uint32_t v)
{
	tl_u16(f, (uint16_t)v);
	tl_u8(f, (uint8_t)(v >> 16));
}

void tl_u32(struct tl_frame *f, uint32_t v)
{
	tl_u16(f, (uint16_t)v);
	tl_u16(f, (uint16_t)(v >> 16));
}

void tl_text(struct tl_frame *f, const char *s, uint8_t width)
{
	bool over = false;
	for (uint8_t i = 0; i < width; i++) {
		over = over || s[i] == 0;
		tl_u8(f, over ? 0 : (uint8_t)s[i]);
	}
}

bool tl_end(struct tl_frame *f)
{
	uint32_t check = tl_crc_end(f->crc);
	for (uint8_t i = 0; i < 4 && !f->full; i++) {
		stuff(f, (uint8_t)check);
		check >>= 8;
	}
	if (f->full || f->at == f->end)
		return false;
	store(f, f->code_at, f->distance);
	store(f, f->at++, 0);
	TL_ENTER();
	f->to->head = f->at;
	TL_LEAVE();
	return true;
}
