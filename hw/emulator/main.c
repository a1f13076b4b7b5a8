/* Runs board A's firmware in simavr and drives its analog inputs and its tach; no silicon anywhere.
 * SPDX-License-Identifier: GPL-3.0-or-later (see LICENCE.md: simavr is linked). A separate program: its boundary is the pseudo-terminal.
 *
 *   emulator [options] firmware.elf
 *     --link PATH          name that leads to the pseudo-terminal; removed at the end
 *     --seconds S          simulated seconds, then end; 0 = until the terminal or the plant is gone
 *     --pace X             times as fast as the wall clock; 0 (usual) = as fast as the host reads
 *     --speed HZ           synthetic rotor: turns a second (0: stands)
 *     --volts A,B,C        synthetic: peak volts of the 1x at the sensor's output
 *     --phase A,B,C        synthetic: its phase, degrees
 *     --noise LSB          rms of white noise at every converter input, in steps of the converter
 *     --rc HZ              corner of the anti-alias filter before the pins; 0 = none
 *     --bounce P           chance that an edge bounces: three more within 0.3 ms
 *     --invert             the tach is wired upside down
 *     --swap               channels 0 and 1 are swapped at the connector
 *     --rail C             channel C lies at the supply
 *     --late A,B,C         seconds by which the analog chains lag beyond filter and converter: what the firmware does not know
 *     --tach-late S        seconds by which the tach front end lags
 *     --flip C             channel C's sensor looks the other way
 *     --open               the loop plugs are out: the test pin reaches nothing
 *     --tap C              somebody taps sensor C every 0.7 s
 *     --baud               bytes are garbled unless the host has set the line to the firmware's 500000 baud
 *     --plant SOCKET       volts and edges from a Unix socket instead:
 *                          'H' f64 dt, 3 f64 lag; then 'S' 3 f32 volts every dt, and 'E' f64 seconds, an edge, before the samples that pass it.
 *                          Sample i of channel c is the voltage at i dt - lag(c).
 *     --stall AT,S         the adapter hands nothing to the host for S seconds; it holds 4096 bytes, the rest is lost
 *     --hold AT,S          the terminal is not drained for S seconds and the adapter, once its 4096 bytes are full, holds the board back (flow control)
 *     --damage P,SEED      each byte to the host is flipped in one bit, dropped, or followed by an inserted one, with chance P each
 *   At the end one line of JSON on standard output tells what was really done.
 *
 * simavr's own converter model: values are latched when they are read, scaled by 1023 and given in millivolts. All three are got round here: the voltage
 * is taken when a converter would hold it, turned into the ideal code, and handed over as the millivolts that come out as that code. Its auto-trigger
 * knows only free running, so the compare match is forwarded to its trigger input. */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <poll.h>
#include <signal.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "avr_adc.h"
#include "avr_ioport.h"
#include "avr_timer.h"
#include "avr_uart.h"
#include "sim_avr.h"
#include "sim_elf.h"

#define HZ 16000000.0
#define CHANNELS 3
#define HOLD 259      /* cycles from the start of a conversion to its sample */
#define CAPTURE 4     /* cycles by which the noise canceller delays a capture */
#define COMPB_VECTOR 12
#define SLICE 16000    /* cycles between looks at plant and terminal: 1 ms */
#define AHEAD 0.004   /* s of plant that must be known before the processor goes there */

static avr_t *avr;
static struct {
	const char *link, *plant;
	double seconds, pace, speed, volts[CHANNELS], phase[CHANNELS], noise, rc, bounce, stall_at, stall_for, hold_at, hold_for, damage;
	double late[CHANNELS], tach_late;
	bool invert, swap, open, baud;
	int rail, flip, tap;
} opt = {.rail = -1, .flip = -1, .tap = -1};

static struct {
	unsigned long long bytes, lost, flipped, dropped, inserted, edges, bounces, slept, conversions;
} did;

static volatile sig_atomic_t over;
static void on_signal(int s) { over = 1; }
static void die(const char *what)
{
	perror(what);
	exit(1);
}

/* ---- chance */
static uint64_t rng_state = 0x9E3779B97F4A7C15ull;
static double uniform(void)
{
	rng_state ^= rng_state << 13;
	rng_state ^= rng_state >> 7;
	rng_state ^= rng_state << 17;
	return (double)(rng_state >> 11) / 9007199254740992.0;
}
static double normal(void) { return sqrt(-2 * log(1 - uniform())) * cos(2 * M_PI * uniform()); }

/* ---- plant: a window of samples around now, and edges to come */
#define WINDOW 4096
static struct {
	int fd;
	double dt, lag[CHANNELS], volts[WINDOW][CHANNELS], raw[CHANNELS], pole[3];
	long n; /* samples that have come */
	double edge[256];
	int first, edges;
	uint8_t buf[65536];
	size_t at, len;
} plant = {.fd = -1};

static bool take(void *to, size_t n)
{
	for (uint8_t *p = to; n > 0;) {
		if (plant.at == plant.len) {
			ssize_t got = read(plant.fd, plant.buf, sizeof plant.buf);
			if (got < 0 && errno == EINTR && !over)
				continue;
			if (got <= 0)
				return false;
			plant.at = 0;
			plant.len = (size_t)got;
		}
		size_t k = plant.len - plant.at < n ? plant.len - plant.at : n;
		memcpy(p, plant.buf + plant.at, k);
		plant.at += k;
		p += k;
		n -= k;
	}
	return true;
}

/* the filter before the pin, exact for a voltage that goes straight from sample to sample */
static void filter_of(double dt)
{
	if (opt.rc <= 0) {
		plant.pole[1] = 1;
		return;
	}
	double tau = 1 / (2 * M_PI * opt.rc), k = dt / tau, e = exp(-k), m = (1 - e) / k;
	plant.pole[0] = e;
	plant.pole[1] = 1 - m;
	plant.pole[2] = m - e;
}

static bool plant_read(void)
{
	char kind;
	if (!take(&kind, 1))
		return false;
	if (kind == 'H') {
		if (!take(&plant.dt, 8) || !take(plant.lag, sizeof plant.lag))
			return false;
		filter_of(plant.dt);
		return true;
	}
	if (kind == 'E') {
		double at;
		if (!take(&at, 8) || plant.edges == 256)
			return false;
		plant.edge[(plant.first + plant.edges++) % 256] = at;
		return true;
	}
	float v[CHANNELS];
	if (kind != 'S' || !take(v, sizeof v))
		return false;
	double *to = plant.volts[plant.n % WINDOW], *was = plant.volts[(plant.n + WINDOW - 1) % WINDOW];
	for (int c = 0; c < CHANNELS; c++) {
		if (plant.n == 0)
			to[c] = plant.raw[c] = v[c];
		else
			to[c] = plant.pole[0] * was[c] + plant.pole[1] * v[c] + plant.pole[2] * plant.raw[c];
		plant.raw[c] = v[c];
	}
	plant.n++;
	return true;
}

/* between samples a cubic through four of them */
static double plant_volts(int c, double t)
{
	double x = (t + plant.lag[c]) / plant.dt;
	long i = (long)floor(x);
	double u = x - i;
	if (i < 1 || i + 2 >= plant.n)
		return 2.5;
	double a = plant.volts[(i - 1) % WINDOW][c], b = plant.volts[i % WINDOW][c], d = plant.volts[(i + 1) % WINDOW][c], e = plant.volts[(i + 2) % WINDOW][c];
	return -u * (u - 1) * (u - 2) / 6 * a + (u + 1) * (u - 1) * (u - 2) / 2 * b - (u + 1) * u * (u - 2) / 2 * d + (u + 1) * u * (u - 1) / 6 * e;
}

/* ---- loopback: as long as the test pin moves, the loop plugs lead it to the tach and, divided down, to the sockets of the sensors */
#define TURNS 256
#define SWING 2.27 /* V around the rest value behind the amplifiers: 5 V through 100 k and 10 k, times 10 */
static struct {
	double at[TURNS], level[TURNS], filtered[TURNS]; /* when the pin turned, its level from then on, the filter's output at that moment */
	unsigned n;
} pin;

static bool looping(double t) { return !opt.open && pin.n > 0 && t - pin.at[(pin.n - 1) % TURNS] < 0.5; }

static double filtered_at(unsigned k, double t)
{
	k %= TURNS;
	if (opt.rc <= 0)
		return pin.level[k];
	return pin.level[k] + (pin.filtered[k] - pin.level[k]) * exp(-(t - pin.at[k]) * 2 * M_PI * opt.rc);
}

static void pin_turns(double t, bool high)
{
	unsigned k = pin.n % TURNS;
	pin.filtered[k] = pin.n > 0 ? filtered_at(pin.n - 1, t) : 0;
	pin.at[k] = t;
	pin.level[k] = high ? SWING : -SWING;
	pin.n++;
}

static double pin_volts(double t)
{
	unsigned k = pin.n;
	while (k > 0 && pin.n - k < TURNS - 1 && pin.at[(k - 1) % TURNS] > t)
		k--;
	return k == 0 ? 2.5 : 2.5 + filtered_at(k - 1, t);
}

static double sensor_at(int c, double t)
{
	if (opt.plant)
		return plant_volts(c, t);
	double w = 2 * M_PI * opt.speed, gain = 1, lag = 0;
	if (opt.rc > 0) {
		double r = opt.speed / opt.rc;
		gain = 1 / sqrt(1 + r * r);
		lag = atan(r);
	}
	return 2.5 + gain * opt.volts[c] * cos(w * t + opt.phase[c] * M_PI / 180 - lag);
}

/* volts at the pin of what is plugged in at connector c */
static double volts_at(int c, double t)
{
	double v = looping(t) ? pin_volts(t - opt.late[c]) : sensor_at(c, t - opt.late[c]);
	if (opt.tap == c) {
		double since = fmod(t, 0.7);
		v += 2 * exp(-since / 0.004) * cos(2 * M_PI * 250 * since);
	}
	return opt.flip == c ? 5 - v : v;
}

/* ---- converter */
static avr_irq_t *adc;

static void on_match(avr_irq_t *irq, uint32_t value, void *param)
{
	if (value)
		avr_raise_irq(adc + ADC_IRQ_IN_TRIGGER, 1);
}

static void on_conversion(avr_irq_t *irq, uint32_t value, void *param)
{
	union {
		avr_adc_mux_t mux;
		uint32_t v;
	} e = {.v = value};
	if (e.mux.kind != ADC_MUX_SINGLE || e.mux.src >= CHANNELS)
		return;
	int pin = e.mux.src, c = opt.swap && pin < 2 ? 1 - pin : pin;
	double v = volts_at(c, (double)(avr->cycle + HOLD) / HZ) / 5.0 * 1024 + opt.noise * (opt.noise > 0 ? normal() : 0);
	int code = v < 0 ? 0 : v >= 1023 ? 1023 : (int)v;
	if (opt.rail == c)
		code = 1023;
	did.conversions++;
	avr_raise_irq(adc + ADC_IRQ_ADC0 + pin, (uint32_t)((code * 5000 + 1022) / 1023));
}

static avr_irq_t *tach_pin;

static avr_cycle_count_t on_loop_rise(avr_t *a, avr_cycle_count_t when, void *param)
{
	avr_raise_irq(tach_pin, !opt.invert);
	return 0;
}

static avr_cycle_count_t on_loop_fall(avr_t *a, avr_cycle_count_t when, void *param)
{
	avr_raise_irq(tach_pin, opt.invert);
	return 0;
}

/* simavr's capture has no noise canceller, so its delay is made here, as for the marks */
static void on_test_pin(avr_irq_t *irq, uint32_t value, void *param)
{
	static bool was;
	bool high = value & 1;
	if (high == was) /* the firmware has only made an output of it */
		return;
	was = high;
	pin_turns((double)avr->cycle / HZ, high);
	if (!opt.open)
		avr_cycle_timer_register(avr, CAPTURE + (avr_cycle_count_t)llround(opt.tach_late * HZ), high ? on_loop_rise : on_loop_fall, NULL);
}

/* ---- tach: one edge after the other, each on its cycle */
static double next_turn; /* number of the next synthetic edge */
static bool edge_known;
static int bounces_left;
static avr_cycle_count_t edge_at;

static avr_cycle_count_t on_fall(avr_t *a, avr_cycle_count_t when, void *param)
{
	avr_raise_irq(tach_pin, opt.invert);
	return 0;
}

static avr_cycle_count_t on_bounce(avr_t *a, avr_cycle_count_t when, void *param)
{
	avr_raise_irq(tach_pin, 0);
	avr_raise_irq(tach_pin, 1);
	did.bounces++;
	return --bounces_left > 0 ? when + 1600 : 0;
}

static avr_cycle_count_t on_rise(avr_t *a, avr_cycle_count_t when, void *param)
{
	edge_known = false;
	if (looping((double)avr->cycle / HZ))
		return 0;
	avr_raise_irq(tach_pin, !opt.invert);
	did.edges++;
	if (opt.bounce > 0 && uniform() < opt.bounce) {
		bounces_left = 3;
		avr_cycle_timer_register(avr, 1600, on_bounce, NULL);
	}
	avr_cycle_timer_register(avr, 16000, on_fall, NULL); /* the mark is seen for 1 ms */
	return 0;
}

static void schedule_edge(void)
{
	double at;
	if (edge_known)
		return;
	if (opt.plant) {
		if (plant.edges == 0)
			return;
		at = plant.edge[plant.first];
		plant.first = (plant.first + 1) % 256;
		plant.edges--;
	} else {
		if (opt.speed <= 0)
			return;
		at = next_turn++ / opt.speed;
	}
	edge_at = (avr_cycle_count_t)llround((at + opt.tach_late) * HZ) + CAPTURE;
	if (edge_at <= avr->cycle + 1) {
		if (at > 0)
			did.lost++; /* never: the plant is read ahead */
		return;
	}
	edge_known = true;
	avr_cycle_timer_register(avr, edge_at - avr->cycle, on_rise, NULL);
}

/* ---- the line */
static int line, slave;
static uint8_t out[65536];
static size_t out_len;
static uint8_t adapter[8192];
#define ADAPTER 4096 /* bytes that it holds; one that holds the sender back has room for what is on its way */
#define HELD_BACK 160000 /* cycles for a byte while it does: 10 ms, so next to nothing */
static avr_uart_t *uart;
static avr_cycle_count_t byte_cycles;
static size_t held;
static uint8_t in[4096];
static size_t in_at, in_len;
static avr_irq_t *uart_in;
static uint64_t damage_state = 1;

static double damage_chance(void)
{
	damage_state = damage_state * 6364136223846793005ull + 1442695040888963407ull;
	return (double)(damage_state >> 11) / 9007199254740992.0;
}

/* a host that listens at another speed than the board sends at makes other bytes of what comes, and the board of what it says */
static bool wrong_speed;

static void look_at_speed(void)
{
	struct termios t;
	if (opt.baud && !tcgetattr(slave, &t))
		wrong_speed = cfgetospeed(&t) != B500000;
}

static bool stalled(void)
{
	double t = (double)avr->cycle / HZ;
	return opt.stall_for > 0 && t >= opt.stall_at && t < opt.stall_at + opt.stall_for;
}

static bool held_back(void)
{
	double t = (double)avr->cycle / HZ;
	return opt.hold_for > 0 && t >= opt.hold_at && t < opt.hold_at + opt.hold_for;
}

static void to_host(uint8_t b)
{
	if (out_len < sizeof out)
		out[out_len++] = b;
	else
		did.lost++;
}

static void on_byte(avr_irq_t *irq, uint32_t value, void *param)
{
	uint8_t b = (uint8_t)value;
	if (did.bytes++ == 0)
		byte_cycles = uart->cycles_per_byte; /* the firmware has set its speed */
	bool back = held_back();
	uart->cycles_per_byte = back && held >= ADAPTER ? HELD_BACK : byte_cycles;
	if (back || stalled()) {
		if (held < (back ? sizeof adapter : ADAPTER))
			adapter[held++] = b;
		else
			did.lost++;
		return;
	}
	for (size_t i = 0; i < held; i++)
		to_host(adapter[i]);
	held = 0;
	if (wrong_speed)
		b = (uint8_t)(256 * damage_chance());
	if (opt.damage > 0) {
		if (damage_chance() < opt.damage) {
			b ^= (uint8_t)(1 << (int)(8 * damage_chance()));
			did.flipped++;
		}
		if (damage_chance() < opt.damage) {
			did.dropped++;
			return;
		}
		if (damage_chance() < opt.damage) {
			to_host((uint8_t)(256 * damage_chance()));
			did.inserted++;
		}
	}
	to_host(b);
}

static avr_cycle_count_t on_receive(avr_t *a, avr_cycle_count_t when, void *param)
{
	if (in_at == in_len)
		return 0;
	uint8_t b = in[in_at++];
	avr_raise_irq(uart_in, wrong_speed ? (uint8_t)(256 * damage_chance()) : b);
	return when + 480; /* a little slower than the line */
}

static void look_at_line(void)
{
	while (out_len > 0 && !over) {
		ssize_t n = write(line, out, out_len);
		if (n > 0) {
			memmove(out, out + n, out_len - (size_t)n);
			out_len -= (size_t)n;
			continue;
		}
		if (n < 0 && errno != EAGAIN && errno != EINTR) {
			out_len = 0; /* nobody there */
			break;
		}
		if (opt.pace > 0)
			break; /* a real line does not wait */
		struct pollfd p = {.fd = line, .events = POLLOUT};
		if (poll(&p, 1, 3000) == 0) { /* the host has left without saying so */
			did.lost += out_len;
			out_len = 0;
		}
	}
	look_at_speed();
	if (in_at == in_len && avr->cycle > 160000) { /* the board was on before the host came */
		ssize_t n = read(line, in, sizeof in);
		in_at = 0;
		in_len = n > 0 ? (size_t)n : 0;
		if (n > 0)
			avr_cycle_timer_register(avr, 480, on_receive, NULL);
	}
}

static void open_line(void)
{
	line = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
	if (line < 0 || grantpt(line) || unlockpt(line))
		die("pseudo-terminal");
	const char *name = ptsname(line);
	slave = open(name, O_RDWR | O_NOCTTY); /* held open, so that a host that leaves is no end */
	struct termios t;
	if (slave < 0 || tcgetattr(slave, &t))
		die(name);
	cfmakeraw(&t);
	if (tcsetattr(slave, TCSANOW, &t))
		die(name);
	if (opt.link) {
		unlink(opt.link);
		if (symlink(name, opt.link))
			die(opt.link);
	}
	fprintf(stderr, "board a on %s\n", name);
}

/* ---- the course of time */
static double wall(void)
{
	struct timespec t;
	clock_gettime(CLOCK_MONOTONIC, &t);
	return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static double began;

static avr_cycle_count_t on_slice(avr_t *a, avr_cycle_count_t when, void *param)
{
	double t = (double)when / HZ;
	while (opt.plant && !over && (plant.dt == 0 || (double)plant.n * plant.dt < t + AHEAD))
		if (!plant_read())
			over = 1;
	schedule_edge();
	look_at_line();
	if (opt.seconds > 0 && t >= opt.seconds)
		over = 1;
	if (opt.pace > 0) {
		double early = t / opt.pace - (wall() - began);
		if (early > 0.002)
			usleep((useconds_t)(early * 1e6));
	}
	return when + SLICE;
}

static void on_sleep(avr_t *a, avr_cycle_count_t cycles) { did.slept += cycles + 1; }

static void quiet(avr_t *a, const int level, const char *format, va_list ap)
{
	if (level <= LOG_ERROR)
		vfprintf(stderr, format, ap);
}

/* ---- options */
static void three(const char *s, double *to)
{
	if (sscanf(s, "%lf,%lf,%lf", &to[0], &to[1], &to[2]) != 3) {
		fprintf(stderr, "emulator: %s: three numbers with commas\n", s);
		exit(2);
	}
}

static const char *options(int argc, char **argv)
{
	const char *firmware = NULL;
	for (int i = 1; i < argc; i++) {
		const char *o = argv[i], *v = i + 1 < argc ? argv[i + 1] : "";
		if (o[0] != '-') {
			firmware = o;
			continue;
		}
		i++;
		if (!strcmp(o, "--link"))
			opt.link = v;
		else if (!strcmp(o, "--plant"))
			opt.plant = v;
		else if (!strcmp(o, "--seconds"))
			opt.seconds = atof(v);
		else if (!strcmp(o, "--pace"))
			opt.pace = atof(v);
		else if (!strcmp(o, "--speed"))
			opt.speed = atof(v);
		else if (!strcmp(o, "--volts"))
			three(v, opt.volts);
		else if (!strcmp(o, "--phase"))
			three(v, opt.phase);
		else if (!strcmp(o, "--noise"))
			opt.noise = atof(v);
		else if (!strcmp(o, "--rc"))
			opt.rc = atof(v);
		else if (!strcmp(o, "--bounce"))
			opt.bounce = atof(v);
		else if (!strcmp(o, "--rail"))
			opt.rail = atoi(v);
		else if (!strcmp(o, "--late"))
			three(v, opt.late);
		else if (!strcmp(o, "--tach-late"))
			opt.tach_late = atof(v);
		else if (!strcmp(o, "--tap"))
			opt.tap = atoi(v);
		else if (!strcmp(o, "--flip"))
			opt.flip = atoi(v);
		else if (!strcmp(o, "--stall"))
			sscanf(v, "%lf,%lf", &opt.stall_at, &opt.stall_for);
		else if (!strcmp(o, "--hold"))
			sscanf(v, "%lf,%lf", &opt.hold_at, &opt.hold_for);
		else if (!strcmp(o, "--damage"))
			sscanf(v, "%lf,%lu", &opt.damage, (unsigned long *)&damage_state);
		else if (i--, !strcmp(o, "--invert"))
			opt.invert = true;
		else if (!strcmp(o, "--swap"))
			opt.swap = true;
		else if (!strcmp(o, "--baud"))
			opt.baud = true;
		else if (!strcmp(o, "--open"))
			opt.open = true;
		else {
			fprintf(stderr, "emulator: there is no option %s\n", o);
			exit(2);
		}
	}
	if (!firmware) {
		fprintf(stderr, "use: emulator [options] firmware.elf\n");
		exit(2);
	}
	return firmware;
}

static void wire_up(const char *file)
{
	elf_firmware_t f = {0};
	if (elf_read_firmware(file, &f)) {
		fprintf(stderr, "emulator: %s is no firmware\n", file);
		exit(1);
	}
	avr = avr_make_mcu_by_name("atmega328p");
	if (!avr)
		die("atmega328p");
	avr_init(avr);
	avr_load_firmware(avr, &f);
	avr->frequency = (uint32_t)HZ;
	avr->vcc = avr->avcc = avr->aref = 5000;
	avr->sleep = on_sleep;

	uint32_t flags = 0; /* not to the console, and no real sleep when polled */
	avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
	avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_byte, NULL);
	for (avr_io_t *io = avr->io_port; io; io = io->next)
		if (!strcmp(io->kind, "uart"))
			uart = (avr_uart_t *)io;
	if (!uart)
		die("UART");
	uart_in = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);

	adc = avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, 0);
	avr_irq_register_notify(adc + ADC_IRQ_OUT_TRIGGER, on_conversion, NULL);
	avr_irq_register_notify(avr_get_interrupt_irq(avr, COMPB_VECTOR) + AVR_INT_IRQ_PENDING, on_match, NULL);

	tach_pin = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 0);
	avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 1), on_test_pin, NULL);
	avr_raise_irq(tach_pin, opt.invert);
	avr_cycle_timer_register(avr, SLICE, on_slice, NULL);
}

int main(int argc, char **argv)
{
	const char *firmware = options(argc, argv);
	struct sigaction act = {.sa_handler = on_signal};
	sigaction(SIGINT, &act, NULL);
	sigaction(SIGTERM, &act, NULL);
	signal(SIGPIPE, SIG_IGN);
	avr_global_logger_set(quiet);
	if (opt.plant) {
		struct sockaddr_un a = {.sun_family = AF_UNIX};
		snprintf(a.sun_path, sizeof a.sun_path, "%s", opt.plant);
		plant.fd = socket(AF_UNIX, SOCK_STREAM, 0);
		if (plant.fd < 0 || connect(plant.fd, (struct sockaddr *)&a, sizeof a))
			die(opt.plant);
	}
	open_line();
	wire_up(firmware);
	struct pollfd p = {.fd = line, .events = POLLIN};
	while (!over && poll(&p, 1, 500) <= 0) /* the first word of the host starts the clock */
		;
	began = wall();
	int state = cpu_Running;
	while (!over && state != cpu_Done && state != cpu_Crashed)
		state = avr_run(avr);
	if (opt.link)
		unlink(opt.link);
	double t = (double)avr->cycle / HZ;
	printf("{\"seconds\":%.6f,\"wall\":%.3f,\"bytes\":%llu,\"lost\":%llu,\"flipped\":%llu,\"dropped\":%llu,\"inserted\":%llu,\"edges\":%llu,"
	       "\"bounces\":%llu,\"conversions\":%llu,\"load\":%.4f,\"crashed\":%s}\n",
		t, wall() - began, did.bytes, did.lost, did.flipped, did.dropped, did.inserted, did.edges, did.bounces, did.conversions,
		avr->cycle > 0 ? 1 - (double)did.slept / (double)avr->cycle : 0, state == cpu_Crashed ? "true" : "false");
	return state == cpu_Crashed;
}
