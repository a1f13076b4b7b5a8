/* Never run on real silicon: proved in simavr only. What the portable core needs to know of an AVR. */
#ifndef PORT_H
#define PORT_H
#include <avr/interrupt.h>
#include <avr/pgmspace.h>
#define TL_ENTER() uint8_t tl_sreg = SREG; cli()
#define TL_LEAVE() SREG = tl_sreg
#define TL_ROM PROGMEM
#define TL_ROM32(p) pgm_read_dword(p)
#endif
