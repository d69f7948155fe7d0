/* What each kind of instruction costs: timer 1 counts CPU cycles, the difference of two
 * readings less that of two readings with nothing between is stored. */
#include <avr/io.h>
#include <avr/pgmspace.h>

uint8_t cost[40];
volatile uint8_t cell[8];
static const uint8_t PROGMEM table[4] = {1, 2, 3, 4};

static void __attribute__((noinline, used)) nothing(void)
{
    __asm__ volatile("");
}

#if defined(TCB0) /* TCB0.CNTL; a reading takes 3 clocks there */
#if defined(PORTMUX_EVSYSROUTEA)
#define READ(r) "lds " r ", 0x0A8A\n"
#else
#define READ(r) "lds " r ", 0x0A4A\n"
#endif
#define READING 3
#else
#define READ(r) "lds " r ", 0x84\n"
#define READING 2
#endif
#define MEASURE(index, text)                                                                  \
    do {                                                                                      \
        uint8_t before, after;                                                                \
        __asm__ volatile(READ("%0") text READ("%1")                                           \
                         : "=&r"(before), "=&r"(after)                                        \
                         : "z"(table), "x"(cell), "y"(cell)                                   \
                         : "r0", "r1", "r16", "r17", "r18", "r19", "r20", "r21", "r22",       \
                           "r23", "r24", "r25", "memory");                                    \
        __asm__ volatile("clr __zero_reg__");                                                 \
        cost[index] = (uint8_t)(after - before - READING);                                         \
    } while (0)

int main(void)
{
#if defined(TCB0)
    _PROTECTED_WRITE(CLKCTRL.MCLKCTRLB, 0);
    TCB0.CTRLB = TCB_CNTMODE_CAPT_gc;
    TCB0.CTRLA = TCB_ENABLE_bm;
#else
    TCCR1B = _BV(CS10);
#endif
    MEASURE(0, "nop\n");
    MEASURE(1, "add r16, r17\n");
    MEASURE(2, "adiw r24, 1\n");
    MEASURE(3, "sbiw r24, 1\n");
    MEASURE(4, "mul r16, r17\n");
    MEASURE(5, "muls r16, r17\n");
    MEASURE(6, "mulsu r16, r17\n");
    MEASURE(7, "lpm r16, Z\n");
    MEASURE(8, "lpm\n");
    MEASURE(9, "lds r16, cell\n");
    MEASURE(10, "sts cell, r16\n");
    MEASURE(11, "ld r16, X\n");
    MEASURE(12, "ld r16, Y\n");
    MEASURE(13, "ldd r16, Y+3\n");
    MEASURE(14, "st X, r16\n");
    MEASURE(15, "std Y+3, r16\n");
    MEASURE(16, "push r16\npop r16\n");
    MEASURE(17, "rjmp 1f\n1:\n");
    MEASURE(18, "jmp 1f\n1:\n");
    MEASURE(19, "rcall nothing\n");
    MEASURE(20, "call nothing\n");
    MEASURE(21, "clr r16\ntst r16\nbreq 1f\n1:\n");
    MEASURE(22, "clr r16\ntst r16\nbrne 1f\n1:\n");
    MEASURE(23, "clr r16\nsbrs r16, 0\nnop\n");
    MEASURE(24, "clr r16\nsbrc r16, 0\nnop\n");
    MEASURE(25, "clr r16\nsbrc r16, 0\nlds r17, cell\n");
    MEASURE(26, "sbi 0x1e, 0\n");
    MEASURE(27, "cbi 0x1e, 0\n");
    MEASURE(28, "sbis 0x1e, 0\nnop\n");
    MEASURE(29, "sbic 0x1e, 0\nnop\n");
    MEASURE(30, "in r16, 0x1e\n");
    MEASURE(31, "out 0x1e, r16\n");
    MEASURE(32, "movw r16, r18\n");
    MEASURE(33, "cpse r16, r16\nnop\n");
    MEASURE(34, "bset 6\nbld r16, 1\n");
    MEASURE(35, "wdr\n");
    MEASURE(36, "ld r16, X+\nsbiw r26, 1\n");
    MEASURE(37, "st -Y, r16\nadiw r28, 1\n");
    MEASURE(38, "lpm r16, Z+\nsbiw r30, 1\n");
    MEASURE(39, "cpse r16, r16\nsts cell, r16\n");
    for (;;) {
    }
}
