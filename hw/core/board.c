/* Never run on real silicon: proved on the host, in simavr and in QEMU only. */
#include "tickline.h"

void tl_board_receive(struct tl_board *b, uint8_t byte)
{
	struct tl_command c = {0};
	if (!tl_receive(&b->in, byte, &c))
		return;
	switch (c.type) {
	case TL_START:
		b->streaming = true;
		break;
	case TL_STOP:
		b->streaming = false;
		break;
	case TL_LOOPBACK:
		b->loopback = c.period_ticks;
		if (b->loop)
			b->loop(c.period_ticks);
		break;
	}
	b->greet = true; /* every command changes what a greeting tells */
}

static void put_float(struct tl_frame *f, float v)
{
	union { float f; uint32_t u; } bits = { v }; /* IEEE 754 single on every target */
	tl_u32(f, bits.u);
}

static bool greet(struct tl_board *b)
{
	const struct tl_about *a = b->about;
	struct tl_frame f;
	tl_begin(&f, &b->out, TL_GREETING, b->seq);
	tl_u8(&f, TL_VERSION);
	tl_u8(&f, (uint8_t)((b->streaming ? TL_STREAMING : 0) | (b->loopback ? TL_LOOPED : 0)));
	tl_u8(&f, a->bits);
	tl_u8(&f, a->sample_bytes);
	tl_u8(&f, a->frame_samples);
	tl_u8(&f, a->pulses);
	tl_u8(&f, a->channels);
	tl_u16(&f, b->self_test);
	tl_u16(&f, a->reference_mv);
	tl_u16(&f, a->firmware);
	tl_u32(&f, a->tick_hz);
	tl_u32(&f, a->sample_ticks);
	tl_u32(&f, a->tach_delay_ticks);
	tl_u32(&f, (uint32_t)a->id);
	tl_u32(&f, (uint32_t)(a->id >> 32));
	tl_text(&f, a->board, sizeof a->board);
	for (uint8_t i = 0; i < a->channels; i++) {
		const struct tl_channel *c = &a->channel[i];
		tl_u8(&f, c->unit);
		put_float(&f, c->scale);
		tl_u32(&f, (uint32_t)c->zero);
		tl_u32(&f, c->full_scale);
		tl_u32(&f, c->delay_ticks);
		tl_text(&f, c->name, sizeof c->name);
	}
	return tl_end(&f);
}

static bool status(struct tl_board *b, uint32_t now)
{
	struct tl_frame f;
	TL_ENTER();
	uint16_t overruns = b->overruns, rejected = b->tach.rejected, lost = b->tach.lost;
	TL_LEAVE();
	tl_begin(&f, &b->out, TL_STATUS, b->seq);
	tl_u32(&f, now);
	tl_u16(&f, overruns);
	tl_u16(&f, b->drops);
	tl_u16(&f, rejected);
	tl_u16(&f, lost);
	return tl_end(&f);
}

void tl_board_data(struct tl_board *b, uint32_t tick, uint32_t sample, const void *samples, uint8_t count)
{
	const struct tl_about *a = b->about;
	struct tl_edges e;
	struct tl_frame f;
	tl_tach_take(&b->tach, tick + count * a->sample_ticks, &e);
	if (!b->streaming)
		return;
	bool wide = a->sample_bytes == 3;
	tl_begin(&f, &b->out, TL_DATA, b->seq);
	tl_u32(&f, tick);
	tl_u32(&f, sample);
	tl_u16(&f, e.first);
	tl_u16(&f, b->drops);
	tl_u8(&f, (uint8_t)(a->channels | (wide ? 0x80 : 0)));
	tl_u8(&f, count);
	uint16_t n = (uint16_t)(count * a->channels);
	for (uint16_t i = 0; i < n; i++) {
		if (wide)
			tl_u24(&f, (uint32_t)((const int32_t *)samples)[i]);
		else
			tl_u16(&f, (uint16_t)((const int16_t *)samples)[i]);
	}
	for (uint8_t i = 0; i < e.n; i++)
		tl_u32(&f, e.tick[i]);
	if (tl_end(&f)) {
		b->seq++; /* counted when the frame is put on the wire */
		return;
	}
	b->drops++;
	TL_ENTER();
	b->tach.lost = (uint16_t)(b->tach.lost + e.n);
	TL_LEAVE();
}

void tl_board_poll(struct tl_board *b, uint32_t now)
{
	if (b->greet && greet(b)) {
		b->greet = false;
		b->seq++;
	}
	if ((int32_t)(now - b->status_at) >= 0) {
		b->status_at = now + b->about->tick_hz;
		b->status_due = b->streaming;
	}
	if (b->status_due && status(b, now)) {
		b->status_due = false;
		b->seq++;
	}
}
