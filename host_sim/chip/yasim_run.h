// One emulated chip: yasimavr's loop replaced, its open ends wired.
#ifndef SPARKTICK_YASIM_RUN_H
#define SPARKTICK_YASIM_RUN_H

#include <memory>

#include "arch_avr_timer.h"
#include "chip_record.h"
#include "core/sim_core.h"
#include "core/sim_interrupt.h"
#include "core/sim_ioreg.h"
#include "core/sim_logger.h"
#include "core/sim_pin.h"
#include "core/sim_sleep.h"
#include "sim/sim_loop.h"

YASIMAVR_USING_NAMESPACE

class Chip;

class LastError : public LogWriter {
public:
    void write(cycle_count_t, int level, ctl_id_t, const char* format, std::va_list) override;
    char text[200] = "";
};

class CompareDriver : public PinDriver {
public:
    CompareDriver();
    Pin::controls_t override_gpio(pin_index_t index, const Pin::controls_t& controls) override;
    unsigned char level[2] = {0, 0};
};

// Register bits that yasimavr does not have.
class Board : public Peripheral {
public:
    explicit Board(Chip& owner);
    bool init(Device& device) override;
    void reset(int flags) override;
    void ioreg_write_handler(reg_addr_t address, const ioreg_write_t& data) override;

private:
    Chip& chip;
};

// What must exist before the loop does, for the loop's constructor initialises the device
// and with it the board.
struct ChipParts {
    ChipParts(const chip_job& j, const chip_event* e, chip_result& r)
        : job(j), events(e), result(r), level{j.idle_level, j.idle_level} {}

    const chip_job& job;
    const chip_event* events;
    chip_result& result;
    LastError errors;
    CompareDriver compare;
    Signal capture;
    Pin* pickup = nullptr;
    Pin* phase = nullptr;
    Peripheral* timer = nullptr;
    IORegister* sp_low = nullptr;
    IORegister* sp_high = nullptr;
    bool has_icp1 = false;
    int64_t next_event = 0;
    int level[2];
    bool filtered = false, rising_edge = false;
    bool response = false, woken = false, held = false, finished = false;
    int asked = 0;
    uint8_t opcode_low = 0; // of the instruction that runs
    int ahead = 0; // cycles by which the emulator's clock is put forward for a moment
    cycle_count_t released = 0;
    uint64_t seed = 0;
    uint8_t ram_at_power_on[0x10000] = {};
};

class Chip : protected ChipParts, public AbstractSimLoop, public CycleTimer {
public:
    // `parts`: registers yasimavr lacks; the device deletes them.
    Chip(Device& d, const chip_job& j, const chip_event* e, chip_result& r,
         Peripheral* parts = nullptr);
    ~Chip() override;
    void run();
    void select_capture(bool with_canceller, bool rising);
    void capture_off();
    void arm_timer();
    uint8_t temporary_byte();
    cycle_count_t next(cycle_count_t when) override; // the stimulus

    chip_record record;

protected:
    // What differs between kinds of chip.
    virtual bool wire();
    virtual void input(const chip_event& e);
    virtual uint16_t timer_count();
    virtual cycle_count_t true_cycles(uint8_t high, cycle_count_t took);
    virtual int response_cycles() const;
    virtual cycle_count_t phase_after_zero(cycle_count_t) const { return 0; }
    virtual short io_of(int data_address) const { return static_cast<short>(data_address - 32); }
    virtual int register_count() const { return 32; }

    Signal* signal_of(const char* peripheral);
    bool wire_pins();
    bool feed_analogue();
    cycle_count_t now() const { return cycle() - ahead; }

    BoundFunctionSignalHook<Chip> interrupt_hook, compare_hook, serial_hook, coil_hook;

private:
    static Device& attached(Device& d, Chip& chip, Peripheral* parts);
    bool load();
    Pin* pin_of(const chip_pin& p);

    void on_interrupt(const signal_data_t& s, int);
    void on_compare(const signal_data_t& s, int);
    void on_serial(const signal_data_t& s, int);
    void on_coil(const signal_data_t& s, int channel);
    void capture_now();

    void step_to(cycle_count_t target);
    bool one_step();
    void one_instruction();
    uint8_t opcode_high();
    bool may_enable(uint8_t high);
    void watch();
    void reset_chip();
    void reset_device(int flags);

    const CoreConfiguration& core_config() { return m_device.core().config(); }
    int ram_start() { return static_cast<int>(core_config().ramstart); }
    void fill_ram();
    void scan_stack();
    void peek(int index);
    cycle_count_t next_count_step();
    void find_phase();
};

#endif
