/* Never run on real silicon: proved in QEMU (mps2-an385) only.
 *
 * The portable core on a Cortex-M, with a synthetic source in the place of a converter: it proves that the core builds and runs there, its framing, its
 * numbers and its dates, and it is the pattern for a board layer. A real one exchanges source() for a converter whose data-ready line is dated by the
 * counter that dates the tach, and edge() for a capture input.
 *
 * The rotor of the source turns 25 times a second; three channels show it with 20000 steps at 0, 40 and -100 degrees. They are taken 8000 times a second
 * and four instants are added up: 2000 a second, 24 bits, lagging by one and a half intervals. */
#include "../core/tickline.h"

#define REG(at) (*(volatile uint32_t *)(at))
#define TIMER_CTRL REG(0x40000000)
#define TIMER_VALUE REG(0x40000004)
#define TIMER_RELOAD REG(0x40000008)
#define UART_DATA REG(0x40004000)
#define UART_STATE REG(0x40004004)
#define UART_CTRL REG(0x40004008)
#define UART_BAUDDIV REG(0x40004010)
#define SYST_CSR REG(0xE000E010)
#define SYST_RVR REG(0xE000E014)
#define SYST_CVR REG(0xE000E018)

enum {
	HZ = 25000000,
	CHANNELS = 3,
	TAKE_TICKS = 3125, /* 8000 a second */
	OVER = 4,
	FRAME = 20,
	AMPLITUDE = 20000
};

static const struct tl_about about = {
	.bits = 18, .sample_bytes = 3, .frame_samples = FRAME, .pulses = 1, .channels = CHANNELS, .reference_mv = 0, .firmware = 0x0100,
	.tick_hz = HZ, .sample_ticks = OVER * TAKE_TICKS, .tach_delay_ticks = 0, .id = 0x0b00000000000001ull, .board = "board-m",
	.channel = {
		{1, 1e-4f, 0, 131071, (OVER - 1) * TAKE_TICKS / 2, "A0"},
		{1, 1e-4f, 0, 131071, (OVER - 1) * TAKE_TICKS / 2, "A1"},
		{1, 1e-4f, 0, 131071, (OVER - 1) * TAKE_TICKS / 2, "A2"},
	},
};

static void loop(uint32_t period) { (void)period; } /* there is no pin here */

static uint8_t transmit_memory[2048];
static struct tl_board board = {
	.about = &about, .loop = loop, .out = {.mem = transmit_memory, .size = sizeof transmit_memory}, .tach = {.refractory = HZ / 1000},
};

static uint32_t now(void) { return ~TIMER_VALUE; } /* counts down from all ones */

/* ---- the source: a rotor, in whole numbers */
static int16_t quarter[65]; /* sine of 0 to 90 degrees, AMPLITUDE at the end */

static void make_sine(void)
{
	int64_t c = 1ll << 30, s = 0; /* turned 64 times by 90/64 degrees; the factors are cos and sin of that, times 2^30 */
	for (int i = 0; i <= 64; i++) {
		quarter[i] = (int16_t)((s * AMPLITUDE + (1 << 29)) >> 30);
		int64_t next = (c * 1073418433 - s * 26350943) >> 30;
		s = (s * 1073418433 + c * 26350943) >> 30;
		c = next;
	}
}

static int32_t part(uint32_t angle) /* the first quarter, drawn straight between the table's values */
{
	uint32_t i = angle >> 24, f = angle >> 8 & 0xFFFF;
	return quarter[i] + ((quarter[i + 1] - quarter[i]) * (int32_t)f >> 16);
}

static int32_t sine(uint32_t angle) /* 2^32 is a turn */
{
	uint32_t in = angle & 0x3FFFFFFF;
	bool falling = angle & 0x40000000;
	if (falling)
		in = 0x3FFFFFFF - in;
	int32_t v = part(in);
	return angle & 0x80000000 ? -v : v;
}

static const uint32_t turn_a_take = 13421773; /* 2^32 / 320: 25 turns a second */
static uint32_t angle;

static void source(uint32_t tick, int16_t *out)
{
	uint32_t before = angle;
	angle += turn_a_take;
	if (angle < before) /* the mark passed angle/turn_a_take of an interval ago */
		tl_tach_edge(&board.tach, tick - (uint32_t)((uint64_t)angle * TAKE_TICKS / turn_a_take));
	out[0] = (int16_t)sine(angle + 0x40000000u);
	out[1] = (int16_t)sine(angle + 0x40000000u + 477218588u);  /* 40 degrees */
	out[2] = (int16_t)sine(angle + 0x40000000u - 1193046471u); /* -100 degrees */
}

/* ---- samples: the interrupt fills one batch while the main loop sends the other */
struct batch {
	volatile bool full;
	uint32_t tick, sample;
	int32_t value[FRAME * CHANNELS];
};
static struct batch batches[2];
static struct batch *filling = &batches[0];
static struct tl_boxcar box = {.channels = CHANNELS, .n = OVER};
static uint32_t take_tick, instant;
static uint8_t stored;
static bool skipping;

static void take(void)
{
	int16_t in[CHANNELS];
	int32_t sum[CHANNELS];
	take_tick += TAKE_TICKS;
	source(take_tick, in);
	if (!tl_boxcar_add(&box, in, sum))
		return;
	if (stored == 0) {
		skipping = filling->full;
		if (!skipping) {
			filling->tick = take_tick; /* dated like the last of the four */
			filling->sample = instant;
		}
	}
	instant++;
	if (skipping) {
		board.overruns++;
		return;
	}
	for (int c = 0; c < CHANNELS; c++)
		filling->value[stored * CHANNELS + c] = sum[c];
	if (++stored < FRAME)
		return;
	stored = 0;
	filling->full = true;
	filling = filling == &batches[0] ? &batches[1] : &batches[0];
}

/* The counter says what is due, not the number of interrupts: QEMU swallows one of them now and then. */
void on_tick(void);
void on_tick(void)
{
	uint32_t behind = (now() - take_tick) / TAKE_TICKS;
	if (behind > 8000) { /* a second: not the emulator's hiccups */
		board.self_test |= TL_TIMER;
		return;
	}
	while (behind-- > 0)
		take();
}

int main(void)
{
	make_sine();
	board.self_test = tl_self_test();
	UART_BAUDDIV = HZ / 1000000;
	UART_CTRL = 3;
	TIMER_RELOAD = TIMER_VALUE = 0xFFFFFFFF;
	TIMER_CTRL = 1;
	tl_ring_put(&board.out, 0);
	board.greet = true;
	take_tick = now();
	SYST_RVR = TAKE_TICKS - 1;
	SYST_CVR = 0;
	SYST_CSR = 7;
	struct batch *next = &batches[0];
	for (;;) {
		uint8_t b;
		while (UART_STATE & 2)
			tl_board_receive(&board, (uint8_t)UART_DATA);
		if (next->full) {
			tl_board_data(&board, next->tick, next->sample, next->value, FRAME);
			next->full = false;
			next = next == &batches[0] ? &batches[1] : &batches[0];
		}
		tl_board_poll(&board, now());
		while (!(UART_STATE & 1) && tl_ring_get(&board.out, &b))
			UART_DATA = b;
		__asm__ volatile("wfi");
	}
}
