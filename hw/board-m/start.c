/* Never run on real silicon: proved in QEMU (mps2-an385) only. From reset to main. */
#include <stddef.h>
#include <stdint.h>

extern uint32_t data_from[], data_begin[], data_end[], bss_begin[], bss_end[], stack_top[];
int main(void);
void reset(void);
void on_tick(void);

/* the compiler may ask for these, also where no library is */
void *memcpy(void *to, const void *from, size_t n)
{
	uint8_t *t = to;
	const uint8_t *f = from;
	while (n-- > 0)
		*t++ = *f++;
	return to;
}

void *memset(void *to, int v, size_t n)
{
	volatile uint8_t *t = to;
	while (n-- > 0)
		*t++ = (uint8_t)v;
	return to;
}

void reset(void)
{
	for (uint32_t *t = data_begin, *f = data_from; t < data_end;)
		*t++ = *f++;
	for (uint32_t *t = bss_begin; t < bss_end;)
		*t++ = 0;
	main();
}

static void fault(void)
{
	for (;;)
		;
}

__attribute__((section(".vectors"), used)) static const struct {
	uint32_t *stack;
	void (*handler[15])(void);
} vectors = {stack_top, {reset, fault, fault, fault, fault, fault, 0, 0, 0, 0, fault, 0, 0, fault, on_tick}};
