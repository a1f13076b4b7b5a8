/* Never run on real silicon: proved on the host, in simavr and in QEMU only.
 *
 * tickline, the board's side (../PROTOCOL.md). C99, no malloc, no libm, nothing of the operating system.
 * Everything that both an interrupt and the main loop touch says so; TL_ENTER and TL_LEAVE shut interrupts out. */
#ifndef TICKLINE_H
#define TICKLINE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#ifndef TL_ENTER /* a board layer brings its own with -include */
#define TL_ENTER()
#define TL_LEAVE()
#endif
#ifndef TL_ROM /* tables that an AVR keeps in flash */
#define TL_ROM
#define TL_ROM32(p) (*(p))
#endif
#ifndef TL_EDGES
#define TL_EDGES 8 /* tach edges that wait for a frame */
#endif

enum { TL_VERSION = 1, TL_MAX_FRAME = 252, TL_MAX_WIRE = 254, TL_MAX_CHANNELS = 8 };
enum { TL_GREETING = 0x01, TL_DATA = 0x02, TL_STATUS = 0x03, TL_ASK = 0x10, TL_START = 0x11, TL_STOP = 0x12, TL_LOOPBACK = 0x13 };
enum { TL_STREAMING = 1, TL_LOOPED = 2 };
/* bits of self_test */
enum { TL_STUCK = 1, TL_REFERENCE = 2, TL_TIMER = 4, TL_NO_TACH = 8, TL_MEMORY = 16, TL_NO_CONVERTER = 32, TL_UPSIDE_DOWN = 64 };

/* ---- check (crc.c): CRC-32 as in IEEE 802.3 and zlib */
#define TL_CRC_START 0xFFFFFFFFul
uint32_t tl_crc_byte(uint32_t crc, uint8_t b);
static inline uint32_t tl_crc_end(uint32_t crc) { return crc ^ 0xFFFFFFFFul; }

/* ---- ring (ring.c): bytes that wait for the transmitter. One side is the main loop, the other an interrupt. size is a power of 2. */
struct tl_ring {
	uint8_t *mem;
	uint16_t size;
	volatile uint16_t head, tail; /* free-running; head is moved by the writer, tail by the reader */
};
bool tl_ring_put(struct tl_ring *r, uint8_t b);  /* false: full, b is dropped */
bool tl_ring_get(struct tl_ring *r, uint8_t *b); /* false: empty. Called by the reader alone */
uint16_t tl_ring_room(const struct tl_ring *r);

/* ---- frame (frame.c): written straight into the ring, check and COBS on the way, and shown to the reader only when it is whole. */
struct tl_frame {
	struct tl_ring *to;
	uint16_t at, code_at; /* next byte; where the running COBS distance stands */
	uint16_t end;         /* first place that is not free */
	uint8_t distance;
	uint32_t crc;
	bool full;
};
void tl_begin(struct tl_frame *f, struct tl_ring *to, uint8_t type, uint16_t seq);
void tl_u8(struct tl_frame *f, uint8_t v);
void tl_u16(struct tl_frame *f, uint16_t v);
void tl_u24(struct tl_frame *f, uint32_t v);
void tl_u32(struct tl_frame *f, uint32_t v);
void tl_text(struct tl_frame *f, const char *s, uint8_t width); /* padded with 00 */
bool tl_end(struct tl_frame *f);                                /* false: no room, nothing was written */

/* ---- host commands (command.c): takes any bytes, hands out commands that check */
struct tl_command {
	uint8_t type;
	uint16_t seq;
	uint32_t period_ticks;
};
struct tl_parser {
	uint8_t raw[12]; /* the longest command without its 00 */
	uint8_t n;
	bool too_long;
	uint16_t refused;
};
bool tl_receive(struct tl_parser *p, uint8_t b, struct tl_command *out); /* true: out is a good command */

/* ---- tach (tach.c): refractory time, numbering, queue. tl_tach_edge is called by the capture interrupt. */
struct tl_tach {
	uint32_t refractory; /* ticks after an accepted edge in which another one is bounce */
	uint32_t last;
	bool seen;            /* last means something */
	bool overflowed;      /* an edge was lost since the queue was emptied: what came later must not be queued behind the hole */
	uint8_t n;
	uint16_t first;       /* running number of tick[0] */
	uint16_t next;        /* running number of the next accepted edge */
	uint16_t rejected, lost;
	uint32_t tick[TL_EDGES];
};
struct tl_edges {
	uint16_t first; /* running number of tick[0], or of the edge that will come next */
	uint8_t n;
	uint32_t tick[TL_EDGES];
};
void tl_tach_edge(struct tl_tach *t, uint32_t tick);
/* tl_tach_take empties the queue into e. now lets an edge of long ago be forgotten before the tick comes round to it again. */
void tl_tach_take(struct tl_tach *t, uint32_t now, struct tl_edges *e);

/* ---- decimation (boxcar.c): sum of n instants. The gain is n; the sum, dated like its last instant, lags by (n-1)/2 intervals. */
struct tl_boxcar {
	uint8_t channels, n, have;
	int32_t sum[TL_MAX_CHANNELS];
};
bool tl_boxcar_add(struct tl_boxcar *b, const int16_t *in, int32_t *out); /* true: out holds an instant */
static inline uint32_t tl_boxcar_delay(uint8_t n, uint32_t interval_ticks) { return (uint32_t)(n - 1) * interval_ticks / 2; }

/* ---- board (board.c): what it says and what it obeys */
struct tl_channel {
	uint8_t unit; /* 0 raw, 1 m/s^2, 2 m/s, 3 m */
	float scale;
	int32_t zero;
	uint32_t full_scale, delay_ticks;
	char name[8];
};
struct tl_about {
	uint8_t bits, sample_bytes, frame_samples, pulses, channels;
	uint16_t reference_mv, firmware;
	uint32_t tick_hz, sample_ticks, tach_delay_ticks;
	uint64_t id;
	char board[12];
	struct tl_channel channel[TL_MAX_CHANNELS];
};
struct tl_board {
	const struct tl_about *about;
	void (*loop)(uint32_t period_ticks); /* drive the test pin; 0 ends it */
	struct tl_ring out;
	struct tl_tach tach;
	struct tl_parser in;
	uint16_t seq, drops, self_test;
	volatile uint16_t overruns; /* counted by the sampling interrupt */
	uint32_t loopback, status_at;
	bool streaming, greet, status_due;
};
void tl_board_receive(struct tl_board *b, uint8_t byte);
/* tl_board_data sends a frame of instants, with the edges that wait. samples holds channels*count values: i16, or i32 of which 24 bits are sent.
 * A frame without room is dropped whole and counted, and so are its edges. While not streaming, nothing is sent and nothing counted as dropped. */
void tl_board_data(struct tl_board *b, uint32_t tick, uint32_t sample, const void *samples, uint8_t count);
void tl_board_poll(struct tl_board *b, uint32_t now); /* greeting that is owed, status once a second */
uint16_t tl_self_test(void);                          /* of the core: TL_MEMORY where code or tables are damaged */

#endif
