/* Never run on real silicon: proved in QEMU (mps2-an385) only. What the portable core needs to know of a Cortex-M. */
#ifndef PORT_H
#define PORT_H
#include <stdint.h>
static inline uint32_t port_shut(void)
{
	uint32_t was;
	__asm__ volatile("mrs %0, primask\n\tcpsid i" : "=r"(was) : : "memory");
	return was;
}
static inline void port_open(uint32_t was) { __asm__ volatile("msr primask, %0" : : "r"(was) : "memory"); }
#define TL_ENTER() uint32_t tl_was = port_shut()
#define TL_LEAVE() port_open(tl_was)
#endif
