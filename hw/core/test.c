/* Tests of the core on the host; runs on no board.
 *   test PROTOCOL.md        the unit tests; the worked frames of the document both ways
 *   test --emit N SEED      N random frames, each as its bytes and what it says, in the document's words
 *   test --obey             bytes on standard input to the commands that they hold, in the document's words
 * Build with -fsanitize=address,undefined. */
#include "tickline.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static int failures;

#define CHECK(what, ...)                                        \
	do {                                                    \
		if (!(what)) {                                  \
			failures++;                             \
			printf("%s:%d: ", __FILE__, __LINE__); \
			printf(__VA_ARGS__);                    \
			printf("\n");                           \
		}                                               \
	} while (0)

/* ---- chance, the same on every machine */
static uint64_t chance_state = 1;
static uint32_t chance(void)
{
	chance_state = chance_state * 6364136223846793005ull + 1442695040888963407ull;
	return (uint32_t)(chance_state >> 33) ^ (uint32_t)(chance_state >> 17);
}
static uint32_t below(uint32_t n) { return chance() % n; }

/* ---- a board with a ring to look into */
static uint8_t memory[1024];
static struct tl_about about;
static struct tl_board board;
static uint32_t looped;

static void on_loop(uint32_t period) { looped = period; }

static void fresh(uint16_t size)
{
	memset(&board, 0, sizeof board);
	memset(memory, 0xAA, sizeof memory);
	board.about = &about;
	board.loop = on_loop;
	board.out.mem = memory;
	board.out.size = size;
	board.out.head = board.out.tail = (uint16_t)below(65536); /* the counters may stand anywhere */
	board.tach.refractory = 16000;
	looped = 0;
}

static size_t drain(uint8_t *to)
{
	size_t n = 0;
	while (tl_ring_get(&board.out, &to[n]))
		n++;
	return n;
}

static size_t from_hex(const char *s, uint8_t *to)
{
	size_t n = 0;
	unsigned b;
	int used;
	for (; sscanf(s, " %2x%n", &b, &used) == 1; s += used)
		to[n++] = (uint8_t)b;
	return n;
}

static void to_hex(const uint8_t *p, size_t n)
{
	printf("wire =");
	for (size_t i = 0; i < n; i++)
		printf(" %02x", p[i]);
	printf("\n");
}

/* ---- the document */
struct entry {
	char name[64];
	char line[40][1200];
	int lines;
};
static struct entry entries[40];
static int n_entries;

static void read_document(const char *path)
{
	FILE *f = fopen(path, "r");
	char buf[1200];
	struct entry *e = NULL;
	if (!f) {
		perror(path);
		exit(2);
	}
	while (fgets(buf, sizeof buf, f)) {
		buf[strcspn(buf, "\r\n")] = 0;
		if (!strncmp(buf, "```frame ", 9)) {
			e = &entries[n_entries++];
			snprintf(e->name, sizeof e->name, "%.60s", buf + 9);
		} else if (!strcmp(buf, "```")) {
			e = NULL;
		} else if (e) {
			memcpy(e->line[e->lines++], buf, sizeof buf);
		}
	}
	fclose(f);
}

/* value of a key, NULL where the entry does not tell */
static const char *value(const struct entry *e, const char *key)
{
	size_t n = strlen(key);
	for (int i = 0; i < e->lines; i++)
		if (!strncmp(e->line[i], key, n) && !strncmp(e->line[i] + n, " = ", 3))
			return e->line[i] + n + 3;
	return NULL;
}

static uint64_t number(const struct entry *e, const char *key)
{
	const char *v = value(e, key);
	CHECK(v, "%s does not tell %s", e->name, key);
	return v ? strtoull(v, NULL, 10) : 0;
}

static int list(const char *v, int32_t *to)
{
	int n = 0, used;
	for (v += strspn(v, "["); sscanf(v, " %" SCNd32 "%n", &to[n], &used) == 1; v += used)
		n++;
	return n;
}

static void copy_text(char *to, size_t n, const char *from)
{
	memset(to, 0, n);
	memcpy(to, from, strlen(from) < n ? strlen(from) : n);
}

/* same: what the board has written is what the document shows */
static void same(const struct entry *e)
{
	uint8_t want[600], got[600];
	size_t nw = from_hex(value(e, "wire"), want), ng = drain(got);
	CHECK(nw == ng && !memcmp(want, got, nw), "%s is written as other bytes (%zu, want %zu)", e->name, ng, nw);
}

static void document_greeting(const struct entry *e)
{
	memset(&about, 0, sizeof about);
	fresh(512);
	about.bits = (uint8_t)number(e, "bits");
	about.sample_bytes = (uint8_t)number(e, "sample_bytes");
	about.frame_samples = (uint8_t)number(e, "frame_samples");
	about.pulses = (uint8_t)number(e, "pulses");
	about.channels = (uint8_t)number(e, "channels");
	about.reference_mv = (uint16_t)number(e, "reference_mv");
	unsigned major = 0, minor = 0;
	sscanf(value(e, "firmware"), "%u.%u", &major, &minor);
	about.firmware = (uint16_t)(major << 8 | minor);
	about.tick_hz = (uint32_t)number(e, "tick_hz");
	about.sample_ticks = (uint32_t)number(e, "sample_ticks");
	about.tach_delay_ticks = (uint32_t)number(e, "tach_delay_ticks");
	about.id = strtoull(value(e, "id"), NULL, 16);
	copy_text(about.board, sizeof about.board, value(e, "board"));
	for (unsigned i = 0; i < about.channels; i++) {
		char key[24], name[9];
		unsigned unit;
		struct tl_channel *c = &about.channel[i];
		snprintf(key, sizeof key, "channel %u", i);
		int n = sscanf(value(e, key), "%8[^,], unit %u, scale %f, zero %" SCNd32 ", full_scale %" SCNu32 ", delay_ticks %" SCNu32,
			name, &unit, &c->scale, &c->zero, &c->full_scale, &c->delay_ticks);
		CHECK(n == 6, "%s: %s is not told as expected", e->name, key);
		c->unit = (uint8_t)unit;
		copy_text(c->name, sizeof c->name, name);
	}
	board.self_test = (uint16_t)number(e, "self_test");
	board.streaming = number(e, "flags") & TL_STREAMING;
	board.seq = (uint16_t)number(e, "seq");
	board.greet = true;
	board.status_at = 1;
	tl_board_poll(&board, 0);
	same(e);
}

static void document_data(const struct entry *e)
{
	int32_t wide[256], edges[16];
	int16_t narrow[256];
	int n = list(value(e, "samples"), wide), ne = list(value(e, "edges"), edges);
	memset(&about, 0, sizeof about);
	fresh(512);
	about.channels = (uint8_t)number(e, "channels");
	about.sample_bytes = (uint8_t)(number(e, "bits") / 8);
	board.streaming = true;
	board.seq = (uint16_t)number(e, "seq");
	board.drops = (uint16_t)number(e, "drops");
	board.tach.refractory = 1;
	board.tach.next = (uint16_t)number(e, "edge");
	const char *v = value(e, "edges");
	for (int i = 0; i < ne; i++) { /* unsigned ticks do not fit into list's numbers */
		v += strspn(v, "[ ");
		tl_tach_edge(&board.tach, (uint32_t)strtoull(v, (char **)&v, 10));
	}
	for (int i = 0; i < n; i++)
		narrow[i] = (int16_t)wide[i];
	const void *samples = about.sample_bytes == 3 ? (const void *)wide : narrow;
	tl_board_data(&board, (uint32_t)number(e, "tick"), (uint32_t)number(e, "sample"), samples, (uint8_t)(n / about.channels));
	same(e);
}

static void document_status(const struct entry *e)
{
	fresh(512);
	about.tick_hz = 16000000;
	board.streaming = true;
	board.seq = (uint16_t)number(e, "seq");
	board.overruns = (uint16_t)number(e, "overruns");
	board.drops = (uint16_t)number(e, "drops");
	board.tach.rejected = (uint16_t)number(e, "tach_rejected");
	board.tach.lost = (uint16_t)number(e, "tach_lost");
	board.status_at = (uint32_t)number(e, "tick");
	tl_board_poll(&board, board.status_at);
	same(e);
}

static void document_command(const struct entry *e, uint8_t type)
{
	struct tl_parser p = {0};
	struct tl_command c = {0};
	uint8_t wire[64];
	size_t n = from_hex(value(e, "wire"), wire);
	for (size_t i = 0; i < n; i++)
		CHECK(tl_receive(&p, wire[i], &c) == (i == n - 1), "%s: byte %zu", e->name, i);
	CHECK(c.type == type && c.seq == number(e, "seq"), "%s is taken as type %02x, seq %u", e->name, c.type, c.seq);
	if (type == TL_LOOPBACK)
		CHECK(c.period_ticks == number(e, "period_ticks"), "%s: period %" PRIu32, e->name, c.period_ticks);
}

static void document_refused(const struct entry *e)
{
	struct tl_parser p = {0};
	struct tl_command c;
	uint8_t wire[300];
	size_t n = from_hex(value(e, "wire"), wire);
	for (size_t i = 0; i < n; i++)
		CHECK(!tl_receive(&p, wire[i], &c), "%s was obeyed", e->name);
	CHECK(p.refused == 1, "%s was not counted", e->name);
}

static void test_document(void)
{
	int seen = 0;
	for (int i = 0; i < n_entries; i++) {
		const struct entry *e = &entries[i];
		seen++;
		if (value(e, "refused"))
			document_refused(e);
		else if (!strcmp(e->name, "greeting"))
			document_greeting(e);
		else if (!strncmp(e->name, "data", 4))
			document_data(e);
		else if (!strcmp(e->name, "status"))
			document_status(e);
		else if (!strcmp(e->name, "ask"))
			document_command(e, TL_ASK);
		else if (!strcmp(e->name, "start"))
			document_command(e, TL_START);
		else if (!strcmp(e->name, "stop"))
			document_command(e, TL_STOP);
		else if (!strncmp(e->name, "loopback", 8))
			document_command(e, TL_LOOPBACK);
		else
			seen--; /* the mark is the host's alone */
	}
	CHECK(seen >= 11, "only %d worked frames of the document were tried", seen);
}

/* ---- what the board must never do */
static void test_tach(void)
{
	struct tl_tach t = {.refractory = 1000, .next = 65530};
	struct tl_edges e;
	uint32_t at = 0xFFFFF000u; /* over the wrap of the tick */
	tl_tach_edge(&t, at);
	tl_tach_edge(&t, at + 999);
	tl_tach_edge(&t, at + 1000);
	CHECK(t.n == 2 && t.rejected == 1, "refractory time: %u taken, %u rejected", t.n, t.rejected);
	for (uint32_t i = 2; i < 12; i++)
		tl_tach_edge(&t, at + 2000 * i);
	CHECK(t.n == TL_EDGES && t.lost == 12 - TL_EDGES, "queue: %u taken, %u lost", t.n, t.lost);
	tl_tach_take(&t, at + 30000, &e);
	CHECK(e.n == TL_EDGES && e.first == 65530, "first batch begins with %u", e.first);
	tl_tach_take(&t, at + 40000, &e);
	CHECK(e.n == 0 && e.first == (uint16_t)(65530 + 12), "the next edge is %u: the lost ones must be numbered", e.first);
	tl_tach_edge(&t, at + 50000);
	tl_tach_take(&t, at + 60000, &e);
	CHECK(e.n == 1 && e.first == 6 && e.tick[0] == at + 50000, "after the hole: %u edges from %u", e.n, e.first);

	/* a rotor that stood until the tick came round: its first edge is no bounce of the one 268 s ago */
	for (uint32_t now = at + 60000, i = 0; i < 8; i++, now += 0x20000000u)
		tl_tach_take(&t, now, &e);
	tl_tach_edge(&t, at + 50010);
	CHECK(t.n == 1, "an edge of long ago shadows a new one");
}

static void test_drops(void)
{
	int16_t samples[60] = {0};
	uint8_t wire[1024];
	about = (struct tl_about){.bits = 10, .sample_bytes = 2, .frame_samples = 20, .channels = 3, .tick_hz = 16000000, .sample_ticks = 8000};
	fresh(512);
	board.streaming = true;
	unsigned edges = 0;
	for (uint32_t i = 0; i < 10; i++) { /* nobody transmits */
		tl_tach_edge(&board.tach, i * 160000 + 100);
		edges++;
		tl_board_data(&board, i * 160000, i * 20, samples, 20);
	}
	CHECK(board.drops == 7 && board.seq == 3 && board.tach.lost == 7, "%u drops, seq %u, %u edges lost", board.drops, board.seq, board.tach.lost);
	size_t n = drain(wire), zeros = 0;
	for (size_t i = 0; i < n; i++)
		zeros += wire[i] == 0;
	CHECK(zeros == 3 && n > 0 && wire[n - 1] == 0, "%zu frames in the ring", zeros);
	tl_board_data(&board, 10 * 160000, 200, samples, 20);
	CHECK(board.seq == 4 && board.tach.next == edges, "a drop must not cost a seq");
	board.streaming = false;
	tl_board_data(&board, 0, 0, samples, 20);
	CHECK(board.drops == 7, "nothing is dropped while nobody asked for data");
	fresh(256);
	for (int room = 0; room < 40; room++) { /* a greeting waits for room and is never torn */
		fresh(64);
		while (tl_ring_room(&board.out) > room)
			tl_ring_put(&board.out, 1);
		board.greet = true;
		about.channels = 0;
		tl_board_poll(&board, 0);
		CHECK(board.greet && tl_ring_room(&board.out) == room, "room %d", room);
	}
}

static void test_boxcar(void)
{
	struct tl_boxcar b = {.channels = 2, .n = 4};
	int32_t out[TL_MAX_CHANNELS];
	int made = 0;
	for (int16_t i = 0; i < 40; i++) {
		int16_t in[2] = {i, -32768};
		if (!tl_boxcar_add(&b, in, out))
			continue;
		made++;
		/* a ramp shows the delay: the sum over n is the ramp 1.5 intervals ago */
		CHECK(2 * out[0] == 4 * (2 * i - 3) && out[1] == 4 * -32768, "at %d: %" PRId32 " %" PRId32, i, out[0], out[1]);
	}
	CHECK(made == 10 && tl_boxcar_delay(4, 2000) == 3000, "%d sums, delay %" PRIu32, made, tl_boxcar_delay(4, 2000));
}

static size_t command_wire(uint8_t type, uint16_t seq, uint32_t period, uint8_t *to)
{
	struct tl_frame f;
	fresh(64);
	tl_begin(&f, &board.out, type, seq);
	if (type == TL_LOOPBACK)
		tl_u32(&f, period);
	tl_end(&f);
	return drain(to);
}

static bool feed(struct tl_parser *p, const uint8_t *wire, size_t n, struct tl_command *c)
{
	bool any = false;
	struct tl_command one;
	for (size_t i = 0; i < n; i++)
		if (tl_receive(p, wire[i], &one)) {
			any = true;
			*c = one;
		}
	return any;
}

/* every single bit of every kind of command, many times: none may be obeyed as something else, and the next one must be understood */
static void test_flips(int rounds)
{
	unsigned long tried = 0, wrong = 0, deaf = 0;
	for (int r = 0; r < rounds; r++) {
		uint8_t type = (uint8_t)(TL_ASK + below(4)), wire[64], bent[64], next[64];
		uint16_t seq = (uint16_t)chance();
		uint32_t period = chance();
		size_t n = command_wire(type, seq, period, wire), nn = command_wire(TL_STOP, 7, 0, next);
		for (size_t bit = 0; bit < 8 * n; bit++) {
			struct tl_parser p = {0};
			struct tl_command c;
			memcpy(bent, wire, n);
			bent[bit / 8] ^= (uint8_t)(1u << bit % 8);
			tried++;
			wrong += feed(&p, bent, n, &c);
			feed(&p, next, nn, &c); /* may be lost with a frame whose end was hit */
			deaf += !(feed(&p, next, nn, &c) && c.type == TL_STOP && c.seq == 7);
		}
	}
	CHECK(wrong == 0 && deaf == 0, "of %lu flipped bits %lu were obeyed, and %lu left the board deaf", tried, wrong, deaf);
	printf("%lu single bits flipped in commands: %lu obeyed, %lu times deaf to the second next\n", tried, wrong, deaf);
}

static void test_garbage(void)
{
	struct tl_parser p = {0};
	struct tl_command c;
	uint8_t wire[64];
	unsigned long obeyed = 0;
	for (int i = 0; i < 1000000; i++)
		obeyed += tl_receive(&p, (uint8_t)(below(8) ? 1 + below(13) : 0), &c);
	CHECK(obeyed == 0, "%lu commands in garbage", obeyed);
	size_t n = command_wire(TL_ASK, 1, 0, wire);
	tl_receive(&p, 0, &c);
	CHECK(feed(&p, wire, n, &c) && c.type == TL_ASK, "deaf after garbage");
}

static void test_obeying(void)
{
	uint8_t wire[64];
	fresh(512);
	struct tl_board keep = board;
	size_t n = command_wire(TL_LOOPBACK, 1, 640000, wire);
	board = keep;
	for (size_t i = 0; i < n; i++)
		tl_board_receive(&board, wire[i]);
	CHECK(looped == 640000 && board.loopback == 640000 && board.greet, "loopback: %" PRIu32, looped);
}

/* ---- for the tests of the host */
static void emit(int n)
{
	while (n-- > 0) {
		uint8_t wire[600];
		int32_t wide[256];
		int16_t narrow[256];
		memset(&about, 0, sizeof about);
		fresh(1024);
		about.channels = (uint8_t)(1 + below(TL_MAX_CHANNELS));
		about.sample_bytes = (uint8_t)(2 + below(2));
		board.streaming = true;
		board.seq = (uint16_t)chance();
		board.drops = (uint16_t)(chance() >> below(16));
		board.tach.refractory = 1;
		board.tach.next = (uint16_t)chance();
		uint32_t tick = chance(), sample = chance() >> below(32), edges[4];
		unsigned ne = below(5), count = below((unsigned)((252 - 21 - 4 * ne) / (about.channels * about.sample_bytes)) + 1);
		uint16_t first = board.tach.next;
		for (unsigned i = 0; i < ne; i++)
			tl_tach_edge(&board.tach, edges[i] = tick + 1000 * i);
		for (unsigned i = 0; i < count * about.channels; i++) {
			wide[i] = (int32_t)(chance() << 8) >> (8 + below(23));
			narrow[i] = (int16_t)wide[i];
			if (about.sample_bytes == 2)
				wide[i] = narrow[i];
		}
		uint16_t seq = board.seq;
		const void *samples = about.sample_bytes == 3 ? (const void *)wide : narrow;
		tl_board_data(&board, tick, sample, samples, (uint8_t)count);
		to_hex(wire, drain(wire));
		printf("seq = %u\ntick = %" PRIu32 "\nsample = %" PRIu32 "\nedge = %u\ndrops = %u\nchannels = %u\nbits = %d\nsamples = [", seq, tick, sample,
			first, board.drops, about.channels, 8 * about.sample_bytes);
		for (unsigned i = 0; i < count * about.channels; i++)
			printf(i ? " %" PRId32 : "%" PRId32, wide[i]);
		printf("]\nedges = [");
		for (unsigned i = 0; i < ne; i++)
			printf(i ? " %" PRIu32 : "%" PRIu32, edges[i]);
		printf("]\n\n");
	}
}

static void obey(void)
{
	struct tl_parser p = {0};
	struct tl_command c;
	for (int b; (b = getchar()) != EOF;)
		if (tl_receive(&p, (uint8_t)b, &c))
			printf("%02x %u %" PRIu32 "\n", c.type, c.seq, c.period_ticks);
	printf("refused %u\n", p.refused);
}

int main(int argc, char **argv)
{
	if (argc == 4 && !strcmp(argv[1], "--emit")) {
		chance_state = strtoull(argv[3], NULL, 10);
		emit(atoi(argv[2]));
		return 0;
	}
	if (argc == 2 && !strcmp(argv[1], "--obey")) {
		obey();
		return 0;
	}
	if (argc != 2) {
		fprintf(stderr, "use: test PROTOCOL.md | test --emit N SEED | test --obey\n");
		return 2;
	}
	CHECK(tl_self_test() == 0, "self-test");
	read_document(argv[1]);
	test_document();
	test_tach();
	test_drops();
	test_boxcar();
	test_obeying();
	test_garbage();
	test_flips(600);
	printf(failures ? "%d FAILED\n" : "core: all passed\n", failures);
	return failures != 0;
}
