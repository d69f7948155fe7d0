/* The part of the port that needs no PIO: pins, kept RAM, pickup level, watchdog, serial, lamp, supply. */
#include "st_port.h"
#include "st_port_regs.h"

/* 16 ms.  The counter goes down by two a microsecond (erratum RP2040-E1). */
#define ST_WORDS_A_BEAT 16U
#define ST_SUMMED_A_BEAT 512U /* about 60 us */
#define ST_WATCHDOG_COUNT (2U * 16000U)
#define ST_COIL_OFF_BY_FORCE (IO_PIO0 | ((ST_CFG_COIL_ON_HIGH != 0) ? IO_DRIVE_LOW : IO_DRIVE_HIGH))
#define ST_PAD_COIL (PAD_INPUT | PAD_SCHMITT | PAD_12_MA) /* the most there is: a gate to charge, a base */
#define ST_PAD_OUT (PAD_INPUT | PAD_SCHMITT | PAD_4_MA)
#define ST_PAD_IN (PAD_INPUT | PAD_SCHMITT | ((ST_CFG_PICKUP_PULL_UP != 0) ? PAD_PULL_UP : 0U))

extern uint32_t const st_code_from[];
extern uint32_t st_code_begin[], st_code_end[];

static st_retained st_kept __attribute__((section(".noinit")));
static volatile bool st_held_off; /* the coil's pin is forced off against the PIO */

void st_coil_force_off(void)
{
    IO_CTRL(ST_PIN(COIL)) = ST_COIL_OFF_BY_FORCE;
    st_held_off = true;
}

/* The PIO gets its pin back once it says off itself. */
void st_coil_let_go(void)
{
    if (st_held_off && st_pio_coil_is_on()) {
        IO_CTRL(ST_PIN(COIL)) = ST_COIL_OFF_BY_FORCE;
        return;
    }
    st_held_off = false;
    IO_CTRL(ST_PIN(COIL)) = IO_PIO0;
}

bool st_coil_is_held_off(void)
{
    return st_held_off;
}

static void st_output(uint32_t pin)
{
    SIO_OE_SET = ST_BIT(pin);
    IO_CTRL(pin) = IO_SIO;
    PAD(pin) = ST_PAD_OUT;
}

static void st_input(uint32_t pin)
{
    PAD(pin) = ST_PAD_IN;
    IO_CTRL(pin) = IO_NONE; /* read all the same, driven by nothing */
}

void st_pins_refresh(void)
{
    PAD(ST_PIN(COIL)) = ST_PAD_COIL;
    st_coil_let_go();
    st_output(ST_PIN(LAMP));
    st_output(ST_PIN(TACHO));
    st_input(ST_PIN(PICKUP));
#if ST_CFG_TWO_COILS
    st_output(ST_PIN(COIL_SELECT));
    st_input(ST_PIN(PHASE));
#endif
}

void st_board_on(void)
{
#if ST_CFG_TELL
    uint32_t const divisor = ((4UL * ST_CFG_F_CPU_HZ) + (ST_CFG_BAUD / 2UL)) / ST_CFG_BAUD; /* 1/64 */
    UART_IBRD = divisor >> 6;
    UART_FBRD = divisor & 63U;
    UART_LCR = (3U << 5) | ST_BIT(4); /* 8 bits, queue; also takes the divisor over */
    UART_CR = ST_BIT(8) | ST_BIT(0);  /* transmitter, on */
    IO_CTRL(ST_PIN(SERIAL_TX)) = IO_UART;
#endif
#if ST_CFG_DWELL_POINTS
    PAD(ST_PIN(SUPPLY)) = PAD_NO_OUTPUT;
    IO_CTRL(ST_PIN(SUPPLY)) = IO_NONE;
    ADC_CS = ST_BIT(0) | (ST_SUPPLY_CHANNEL << 12);
#endif
}

st_retained *st_port_retained(void)
{
    return &st_kept;
}

/* 60 clocks and more from read to read: what the filter drops is seen by one read at most. */
static void st_apart(void)
{
    uint32_t rounds = 16U;
    __asm__ volatile("1:\n\tsub %0, #1\n\tbne 1b" : "+l"(rounds)::"cc");
}

static bool st_majority(uint32_t mask)
{
    uint32_t const a = SIO_IN;
    uint32_t b;
    uint32_t c;
    st_apart();
    b = SIO_IN;
    st_apart();
    c = SIO_IN;
    return ((((a & b) | (b & c) | (a & c)) & mask) != 0U) != (ST_CFG_ACTIVE_LOW != 0);
}

bool st_port_active(void)
{
    return st_majority(ST_MASK(PICKUP));
}

#if ST_CFG_TWO_COILS
bool st_port_second(void)
{
    return st_majority(ST_MASK(PHASE));
}
#endif

#if ST_CFG_DWELL_POINTS
/* 12 bits against the converter's supply, the upper 10 of them; 96 clocks of 40 MHz (4.9.2.2) are over
 * before the next call. */
uint16_t st_port_supply(void)
{
    uint16_t const counts = (uint16_t)(ADC_RESULT >> 2) & 0x3FFU;
    ADC_CS = ST_BIT(0) | ST_BIT(2) | (ST_SUPPLY_CHANNEL << 12);
    return counts;
}
#endif

static void st_check_word(void)
{
    static uint32_t next;
    uint32_t const ram = st_code_begin[next];
    uint32_t const at = (uint32_t)&st_code_from[next] + ST_XIP_NO_CACHE;
    uint32_t const flash = ST_REG(at);
    if ((ram != flash) && (flash == ST_REG(at))) {
        st_code_begin[next] = flash;
    }
    next++;
    if (next >= (uint32_t)(st_code_end - st_code_begin)) {
        next = 0U;
    }
}

/* Some words of the program in RAM against flash, 2 us each; the whole takes a seventh of a second.  What
 * differs is put right, in silence: most flipped bits lie where nothing runs.  Flash is read twice: what
 * its bus picks up is no fault of the RAM. */
void st_flash_check(void)
{
    uint32_t words;
    for (words = ST_WORDS_A_BEAT; words != 0U; words--) {
        st_check_word();
    }
}

/* That is too slow for a bit of code that runs.  So the words in RAM are summed up as well, a pass in some
 * beats; a sum that is not that of the start has all of them put right now.  If it still is not after that,
 * the chip starts anew. */
static void st_sum_check(void)
{
    static uint32_t next;
    static uint32_t sum;
    static bool doubted;
    uint32_t const end = (uint32_t)(st_code_end - st_code_begin);
    uint32_t words;
    for (words = ST_SUMMED_A_BEAT; (words != 0U) && (next < end); words--) {
        sum += st_code_begin[next];
        next++;
    }
    if (next < end) {
        return;
    }
    if (sum == st_code_sum) {
        doubted = false;
    } else if (!doubted) {
        doubted = true;
        for (words = end; words != 0U; words--) {
            st_check_word();
        }
    } else {
        st_port_halt();
    }
    next = 0U;
    sum = 0U;
}

/* Its registers are written again each time: a flipped bit would leave a hung chip hanging. */
void st_port_feed_watchdog(void)
{
    st_sum_check();
    st_flash_check();
    WATCHDOG_LOAD = ST_WATCHDOG_COUNT;
    WATCHDOG_CTRL = WATCHDOG_ENABLE;
    PSM_WDSEL = PSM_ALL_BUT_OSCILLATORS;
}

bool st_port_send(uint8_t byte)
{
    if ((UART_FR & ST_BIT(5)) != 0U) {
        return false;
    }
    UART_DR = byte;
    return true;
}

void st_port_lamp(bool on)
{
    st_pin_put(LAMP, on);
}
