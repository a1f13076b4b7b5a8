/* Never run on real silicon: proved in simavr only.
 *
 * Board A: ATmega328P at 16 MHz, 5 V. Three analog channels at 2000 samples/s with 10 bits, tach on input capture, 500 kbaud.
 *
 *   PC0 PC1 PC2  sensors, 0 to 5 V, resting at 2.5 V       PB0  tach, rising edge counts (5 V logic, from the comparator)
 *   PD0 PD1      receive, transmit                         PB1  test pin of the loopback
 *
 * One counter, timer 1 at the processor's clock, dates everything. Its compare match B starts every conversion by hardware, so a sample is taken
 * at a place in time that no program can shift; chaining the channels in the interrupt would let their skew wander. The converter samples its input
 * two of its clocks after the start. An instant of three channels is dated by its last conversion, the earlier ones have their distance to it as delay. */
#include <avr/io.h>
#include <avr/sleep.h>

#include "../core/tickline.h"

#if F_CPU != 16000000
#error the figures below are for 16 MHz
#endif

enum {
	CHANNELS = 3,
	SAMPLE_TICKS = 8000,
	HOLD_TICKS = 2 * 128 + 3, /* from the compare match to the sample: two converter clocks, and the synchroniser */
	FRAME = 20,
	RC_TICKS = 2546,     /* the anti-alias filter of the drawing: 10 kOhm and 15.9 nF, 1 kHz, lags by RC = 159.2 us */
	CAPTURE_TICKS = 4,   /* the noise canceller of the capture input */
	COMPARATOR_TICKS = 0 /* tach front end; measure it with the loopback */
};
/* ticks from the start of one channel's conversion to the next one's; the three make SAMPLE_TICKS */
static const uint16_t slot[CHANNELS] = {2667, 2667, 2666};

#ifndef BOARD_SCALE
#define BOARD_SCALE 0.01596f /* m/s^2 a count: 300 mV/g, gain 10, 5 V / 1024 */
#endif

static const struct tl_about about = {
	.bits = 10, .sample_bytes = 2, .frame_samples = FRAME, .pulses = 1, .channels = CHANNELS,
	.reference_mv = 5000, .firmware = 0x0100, .tick_hz = F_CPU, .sample_ticks = SAMPLE_TICKS,
	.tach_delay_ticks = CAPTURE_TICKS + COMPARATOR_TICKS, .id = BOARD_ID, .board = "board-a",
	.channel = {
		{1, BOARD_SCALE, 512, 511, RC_TICKS + 2667 + 2667, "A0"},
		{1, BOARD_SCALE, 512, 511, RC_TICKS + 2667, "A1"},
		{1, BOARD_SCALE, 512, 511, RC_TICKS, "A2"},
	},
};

static uint8_t transmit_memory[512];
static struct tl_board board = {
	.about = &about,
	.out = {.mem = transmit_memory, .size = sizeof transmit_memory},
	.tach = {.refractory = F_CPU / 1000}, /* 1 ms: more than any bounce, less than a turn at 30,000 rpm */
};

/* ---- time: 16 bits of timer 1 and the overflows above them */
static volatile uint16_t high;

ISR(TIMER1_OVF_vect) { high++; }

/* The converter starts on the rising flag, and taking the interrupt is what puts the flag down again. (Writing TIFR1 would do so too, but
 * simavr 1.6 then forgets an overflow that waits.) */
EMPTY_INTERRUPT(TIMER1_COMPB_vect)

/* An overflow that waits for its interrupt belongs before low if low is small. Called with interrupts shut out. */
static uint32_t extend(uint16_t low)
{
	uint16_t h = high;
	if ((TIFR1 & (1 << TOV1)) && low < 0x8000)
		h++;
	return (uint32_t)h << 16 | low;
}

static uint32_t now(void)
{
	uint8_t sreg = SREG;
	cli();
	uint32_t t = extend(TCNT1);
	SREG = sreg;
	return t;
}

ISR(TIMER1_CAPT_vect) { tl_tach_edge(&board.tach, extend(ICR1)); }

/* ---- samples: the interrupt fills one buffer while the main loop sends the other */
struct batch {
	volatile bool full;
	uint32_t tick, sample; /* of the first instant */
	int16_t value[FRAME * CHANNELS];
};
static struct batch batches[2];
static struct batch *filling = &batches[0];
static uint32_t instant_tick;   /* of the instant that is being converted: its last conversion */
static uint32_t instant_number; /* every instant is numbered, stored or not */
static uint8_t channel, stored;
static volatile uint16_t tach_high; /* instants at which the tach input was high */
static bool skipping = true; /* no buffer, or the first conversion after enabling, which takes longer */

ISR(ADC_vect)
{
	int16_t value = (int16_t)ADC;
	uint8_t done = channel;
	OCR1B += slot[done]; /* the match that starts the next conversion */
	channel = done == CHANNELS - 1 ? 0 : (uint8_t)(done + 1);
	ADMUX = (uint8_t)(1 << REFS0 | channel);
	if (!skipping)
		filling->value[stored * CHANNELS + done] = value;
	if (channel != 0)
		return;
	if (skipping)
		board.overruns++;
	if (PINB & 1 << PB0)
		tach_high++;
	instant_number++;
	instant_tick += SAMPLE_TICKS;
	if (!skipping && ++stored < FRAME)
		return;
	if (!skipping) {
		filling->full = true;
		filling = filling == &batches[0] ? &batches[1] : &batches[0];
	}
	skipping = filling->full;
	stored = 0;
	filling->tick = skipping ? filling->tick : instant_tick;
	filling->sample = skipping ? filling->sample : instant_number;
}

static void start_converter(void)
{
	ADMUX = 1 << REFS0;
	DIDR0 = 7;
	ADCSRB = 1 << ADTS2 | 1 << ADTS0; /* compare match B of timer 1 */
	/* the first conversion after enabling takes longer and is thrown away here, not in the stream */
	ADCSRA = 1 << ADEN | 1 << ADSC | 7;
	while (ADCSRA & 1 << ADSC)
		;
	uint8_t sreg = SREG;
	cli();
	uint32_t first = extend(TCNT1) + 2000;
	OCR1B = (uint16_t)first;
	ADCSRA = 1 << ADEN | 1 << ADATE | 1 << ADIF | 1 << ADIE | 7; /* 125 kHz: ten bits need 50 to 200 */
	instant_tick = first + slot[0] + slot[1] + HOLD_TICKS;
	filling->tick = instant_tick;
	skipping = false;
	SREG = sreg;
}

/* ---- the line */
static uint8_t receive_memory[32];
static struct tl_ring received = {.mem = receive_memory, .size = sizeof receive_memory};

ISR(USART_RX_vect) { tl_ring_put(&received, UDR0); } /* a full ring spoils a command, its check tells */

ISR(USART_UDRE_vect)
{
	uint8_t b;
	if (tl_ring_get(&board.out, &b))
		UDR0 = b;
	else
		UCSR0B &= (uint8_t)~(1 << UDRIE0);
}

static void start_line(void)
{
	UBRR0 = F_CPU / 8 / 500000 - 1; /* exact */
	UCSR0A = 1 << U2X0;
	UCSR0C = 1 << UCSZ01 | 1 << UCSZ00;
	UCSR0B = 1 << RXEN0 | 1 << TXEN0 | 1 << RXCIE0;
	tl_ring_put(&board.out, 0); /* ends whatever the host took for a beginning */
}

/* ---- loopback: a square wave on the test pin, every edge made by the timer, however long the period */
static uint32_t half, remaining;

ISR(TIMER1_COMPA_vect)
{
	if (half == 0)
		return;
	if (remaining > 0xC000) {
		remaining -= 0x8000;
		OCR1A += 0x8000;
		TCCR1A &= (uint8_t)~(1 << COM1A0);
		return;
	}
	OCR1A += (uint16_t)remaining;
	TCCR1A |= 1 << COM1A0; /* toggle at this match */
	remaining = half;
}

static void loop(uint32_t period)
{
	uint8_t sreg = SREG;
	cli();
	TCCR1A &= (uint8_t)~(1 << COM1A0);
	half = 0;
	if (period >= 4000) { /* shorter ones would keep the processor from measuring */
		half = remaining = period / 2;
		OCR1A = TCNT1 - 1; /* the first match is a whole wrap away */
	} else if (period != 0) {
		board.loopback = 0;
	}
	SREG = sreg;
}

/* ---- self-test */
/* The reference is the supply. The bandgap, 1.1 V within a tenth, seen against it tells a supply that is far from 5 V. */
static void test_reference(void)
{
	ADMUX = 1 << REFS0 | 0x0E;
	for (uint16_t i = 0; i < 8; i++) { /* the first few while the bandgap settles */
		ADCSRA = 1 << ADEN | 1 << ADSC | 7;
		for (uint16_t wait = 0; ADCSRA & 1 << ADSC; wait++)
			if (wait > 2000) {
				board.self_test |= TL_NO_CONVERTER;
				return;
			}
	}
	uint16_t seen = ADC; /* 225 at 5 V */
	if (seen < 225 - 35 || seen > 225 + 45)
		board.self_test |= TL_REFERENCE;
}

/* An input that lies at a rail for a whole second has no sensor on it, or a broken one. */
static void watch_rails(const struct batch *b)
{
	static uint8_t off_rail, batches_seen;
	if (batches_seen == 100)
		return;
	for (uint8_t i = 0; i < FRAME * CHANNELS; i++)
		if (b->value[i] > 1 && b->value[i] < 1022)
			off_rail |= (uint8_t)(1 << i % CHANNELS);
	if (++batches_seen == 100 && off_rail != (1 << CHANNELS) - 1) {
		board.self_test |= TL_STUCK;
		board.greet = true; /* something in the greeting has changed */
	}
}

/* A mark is seen for a small part of a turn. An input that is high for most of the time while edges come is upside down: its edges are the
 * far ends of the mark, which move with the speed. Looked at over two seconds. */
static void watch_tach(void)
{
	static uint16_t seen, high_before, edges_before;
	if (++seen < 200 && !board.loopback)
		return;
	uint8_t sreg = SREG;
	cli();
	uint16_t high_now = tach_high, edges = board.tach.next;
	SREG = sreg;
	bool upside_down = !board.loopback /* half of the test wave is high */ && (uint16_t)(edges - edges_before) > 5 && (uint16_t)(high_now - high_before) > 200u * FRAME / 2;
	if (upside_down && !(board.self_test & TL_UPSIDE_DOWN)) {
		board.self_test |= TL_UPSIDE_DOWN;
		board.greet = true;
	}
	seen = 0;
	high_before = high_now;
	edges_before = edges;
}

static void test_timer(void)
{
	uint32_t before = now();
	for (volatile uint8_t i = 0; i < 20; i++)
		;
	if (now() == before)
		board.self_test |= TL_TIMER;
}

int main(void)
{
	DDRB = 1 << PB1;
	TCCR1A = 0;
	TCCR1B = 1 << ICNC1 | 1 << ICES1 | 1 << CS10; /* noise canceller, rising edge, processor clock */
	TIMSK1 = 1 << ICIE1 | 1 << TOIE1 | 1 << OCIE1A | 1 << OCIE1B;
	board.loop = loop;
	start_line();
	board.self_test = tl_self_test();
	sei();
	test_reference();
	test_timer();
	start_converter();
	board.status_at = now();
	board.greet = true;
	set_sleep_mode(SLEEP_MODE_IDLE);
	struct batch *next = &batches[0];
	for (;;) {
		uint8_t b;
		while (tl_ring_get(&received, &b))
			tl_board_receive(&board, b);
		if (next->full) {
			watch_rails(next);
			watch_tach();
			tl_board_data(&board, next->tick, next->sample, next->value, FRAME);
			next->full = false;
			next = next == &batches[0] ? &batches[1] : &batches[0];
		}
		tl_board_poll(&board, now());
		cli();
		if (board.out.head != board.out.tail)
			UCSR0B |= 1 << UDRIE0;
		if (!next->full && received.head == received.tail) {
			sleep_enable();
			sei(); /* the instruction after sei is still safe from interrupts */
			sleep_cpu();
			sleep_disable();
		}
		sei();
	}
}
