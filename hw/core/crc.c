/* Never run on real silicon: proved on the host, in simavr and in QEMU only. */
#include "tickline.h"

/* the effect of four bits: 64 bytes where the usual table takes 1024 */
static const uint32_t table[16] TL_ROM = {
	0x00000000ul, 0x1DB71064ul, 0x3B6E20C8ul, 0x26D930ACul, 0x76DC4190ul, 0x6B6B51F4ul, 0x4DB26158ul, 0x5005713Cul,
	0xEDB88320ul, 0xF00F9344ul, 0xD6D6A3E8ul, 0xCB61B38Cul, 0x9B64C2B0ul, 0x86D3D2D4ul, 0xA00AE278ul, 0xBDBDF21Cul,
};

uint32_t tl_crc_byte(uint32_t crc, uint8_t b)
{
	uint8_t low = (uint8_t)crc ^ b;
	crc = crc >> 4 ^ TL_ROM32(&table[low & 15]);
	low = (uint8_t)crc ^ (uint8_t)(b >> 4);
	return crc >> 4 ^ TL_ROM32(&table[low & 15]);
}

/* "123456789" has a known check; a damaged table or a bent bit in the code does not come to it. */
uint16_t tl_self_test(void)
{
	uint32_t crc = TL_CRC_START;
	for (uint8_t c = '1'; c <= '9'; c++)
		crc = tl_crc_byte(crc, c);
	return tl_crc_end(crc) == 0xCBF43926ul ? 0 : TL_MEMORY;
}
