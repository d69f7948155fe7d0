/* Something to flip bits in: the loop copies RAM to flash's bidding and back. */
#include <avr/io.h>
#include <avr/pgmspace.h>

volatile uint8_t cell = 0x10;
volatile uint8_t copy;
volatile uint8_t starts __attribute__((section(".noinit")));
const uint8_t table[2] PROGMEM = {0x21, 0x43};

int main(void)
{
    if (MCUSR & _BV(PORF)) {
        MCUSR = 0;
        starts = 0;
    }
    starts++;
    DDRB = _BV(PB1);
    TCCR1B = _BV(CS11);
    for (;;) {
        copy = pgm_read_byte(&table[0]);
    }
}
