/* Sends a line polled, and measures with timer 1 at CPU clock / 8 how long it was kept
 * waiting: two bytes fit in at once, the others wait for a frame each. */
#include <avr/io.h>

volatile uint16_t at[4];

static void send(uint8_t byte)
{
    while (!(UCSR0A & _BV(UDRE0))) {
    }
    UDR0 = byte;
}

int main(void)
{
    static const char text[] = "$PSTK,ok*00\r\n";
    TCCR1B = _BV(CS11);
#ifdef SILENT
    UBRR0 = 16;
    UDR0 = 'x'; /* the transmitter is off after reset */
    for (;;) {
    }
#endif
    UBRR0 = 16;
    UCSR0A = _BV(U2X0);
    UCSR0C = PARITY ? _BV(UPM01) | _BV(UCSZ01) | _BV(UCSZ00) : _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(TXEN0);
    at[0] = TCNT1;
    for (const char *p = text; *p != 0; p++) {
        send((uint8_t)*p);
    }
    at[1] = TCNT1;
    for (;;) {
    }
}
