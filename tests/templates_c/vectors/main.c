/* "Core only" program: runs the world and prints a digest of everything the core ordered.  On the chip
 * over the serial line, elsewhere on standard output; the two must be the same, character by character.
 *
 *   SEED, SCENES   given on the command line, on the chip as macros
 */
#include "world.h"

#ifdef __AVR__
#include <avr/io.h>
#include <avr/wdt.h>

static void put(char character)
{
    while ((UCSR0A & (1U << UDRE0)) == 0U) {
    }
    UDR0 = (uint8_t)character;
}
#else
#include <stdio.h>
#include <stdlib.h>

static void put(char character)
{
    putchar(character);
}
#endif

static world w;

static void put_hex(uint32_t number)
{
    uint8_t i;
    for (i = 0U; i < 8U; i++) {
        put("0123456789ABCDEF"[number >> 28]);
        number <<= 4;
    }
}

/* events, digest, sparks, longest on-time, broken invariants */
static void put_line(void)
{
    uint8_t i;
    put_hex(w.events);
    put(' ');
    put_hex(w.digest);
    put(' ');
    put_hex(w.sparks);
    put(' ');
    put_hex(w.on_most);
    for (i = 0U; i < (uint8_t)WORLD_CHECKS; i++) {
        put(' ');
        put_hex(w.broken[i]);
    }
    put('\n');
}

static void run(uint32_t seed, uint16_t scenes)
{
    world_start(&w, seed, UINT32_C(0xFFFE0000), true);
    for (; scenes != 0U; scenes--) {
        world_scene(&w);
        if ((scenes & 7U) == 0U) {
            put_line();
        }
    }
    put_line();
    put('.');
    put('\n');
}

#ifdef __AVR__
int main(void)
{
    MCUSR = 0U;
    wdt_disable();
    UBRR0 = 0U;
    UCSR0B = (uint8_t)(1U << TXEN0);
    run(SEED, SCENES);
    for (;;) {
    }
}
#else
int main(int count, char **given)
{
    if (count != 3) {
        return 2;
    }
    run((uint32_t)strtoul(given[1], NULL, 10), (uint16_t)strtoul(given[2], NULL, 10));
    return 0;
}
#endif
