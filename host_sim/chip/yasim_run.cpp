// Run one image on a yasimavr device that Python has built: the loop, the missing wires and
// the recording, so that nothing returns to Python while the chip runs.  The numbers Y1..
// are those of README.md in this folder.
#include "yasim_run.h"

#include <algorithm>
#include <cstdarg>
#include <cstdio>
#include <cstring>

#include "core/sim_firmware.h"
#include "ioctrl_common/sim_uart.h"

namespace {

constexpr int kResponseCycles = 4; // DS40002061A 7.7.1
constexpr int kWakeCycles = 4;
constexpr int kRetiCycles = 4;
constexpr reg_addr_t kTccr1b{0x61}, kTccr1c{0x62}, kTcnt1l{0x64}, kTcnt1h{0x65};
// TCCR1A, TCCR1B, TCCR1C, TCNT1L, ICR1L, OCR1AL, OCR1BL: after a write the timer is re-armed
constexpr short kTimerIo[] = {0x60, 0x61, 0x62, 0x64, 0x66, 0x68, 0x6A};
constexpr short kCompareHighIo[] = {0x69, 0x6B}; // OCR1AH, OCR1BH
constexpr uint8_t kIcnc1 = 0x80, kIces1 = 0x40, kForceBoth = 0xC0, kClockSelect = 0x07;
constexpr short kSregIo = 0x3F;
constexpr short kPinIo[] = {0x03, 0x06, 0x09}; // PINB, PINC, PIND; PORTx is two further

// Members a subclass may see, named without being one.
struct Inside : public Core {
    static flash_addr_t& pc(Core& c) { return c.*(&Inside::m_pc); }
    static uint8_t* sram(Core& c) { return c.*(&Inside::m_sram); }
    static uint8_t* regs(Core& c) { return &(c.*(&Inside::m_regs))[0]; }
    static NonVolatileMemory& flash(Core& c) { return c.*(&Inside::m_flash); }
};

template <size_t N> bool is_one_of(const short (&list)[N], short address)
{
    return std::find(std::begin(list), std::end(list), address) != std::end(list);
}

int reset_flag(int kind)
{
    switch (kind) {
    case CHIP_RESET_POWER_ON: return Device::Reset_PowerOn;
    case CHIP_RESET_BROWN_OUT: return Device::Reset_BOD;
    default: return Device::Reset_Ext;
    }
}

} // namespace

void LastError::write(cycle_count_t, int level, ctl_id_t, const char* format, std::va_list args)
{
    if (level <= Logger::Level_Error) {
        std::vsnprintf(text, sizeof text, format, args);
    }
}

// Y2: the compare outputs, which yasimavr computes and leaves unconnected.
CompareDriver::CompareDriver() : PinDriver("OC1PINS", 2) {}

Pin::controls_t CompareDriver::override_gpio(pin_index_t index, const Pin::controls_t& controls)
{
    Pin::controls_t c = controls;
    c.drive = level[index];
    return c;
}

Board::Board(Chip& owner) : Peripheral("BOARD"), chip(owner) {}

bool Board::init(Device& device)
{
    bool good = Peripheral::init(device);
    add_ioreg(kTccr1b, bitmask_t(kIcnc1 | kIces1)); // Y1
    for (short io : kTimerIo) {
        add_ioreg(reg_addr_t(io), bitmask_t(0));
    }
    for (short io : kCompareHighIo) {
        add_ioreg(reg_addr_t(io), bitmask_t(0));
    }
    for (short io : kPinIo) {
        add_ioreg(reg_addr_t(io), bitmask_t(0));
    }
    return good;
}

void Board::ioreg_write_handler(reg_addr_t address, const ioreg_write_t& data)
{
    Core& core = device()->core();
    if (is_one_of(kPinIo, address)) { // Y10: after a toggle through PINx the port remembers the wrong value
        reg_addr_t port(static_cast<short>(address + 2));
        core.get_ioreg(port)->cpu_write(port, core.get_ioreg(port)->value());
        return;
    }
    if (is_one_of(kCompareHighIo, address)) { // Y16: a write here alone changes nothing
        core.get_ioreg(address)->set(data.old);
        return;
    }
    if (is_one_of(kCompareHighIo, static_cast<short>(address + 1))) {
        core.get_ioreg(static_cast<short>(address + 1))->set(chip.temporary_byte());
    }
    if (address == kTccr1b) {
        chip.select_capture(data.value & kIcnc1, data.value & kIces1);
    } else if (address == kTccr1c && (data.value & kForceBoth) == kForceBoth) {
        core.get_ioreg(kTccr1c)->cpu_write(kTccr1c, kForceBoth & ~0x80); // Y11: only A was
    }
    chip.arm_timer();
}

void Board::reset(int)
{
    chip.capture_off();
}

Chip::Chip(Device& d, const chip_job& j, const chip_event* e, chip_result& r)
    : ChipParts(j, e, r), AbstractSimLoop(attached(d, *this)),
      interrupt_hook(*this, &Chip::on_interrupt), compare_hook(*this, &Chip::on_compare),
      serial_hook(*this, &Chip::on_serial), coil_hook(*this, &Chip::on_coil)
{
    chip_record_begin(&record, &job, &result);
}

Chip::~Chip()
{
    m_cycle_manager.cancel(*this);
    chip_record_end(&record);
}

// The board must be part of the device before the loop initialises it.
Device& Chip::attached(Device& d, Chip& chip)
{
    d.log_handler().set_writer(chip.errors);
    d.set_option(Device::Option_IgnoreBadCpuIO, true);
    d.set_option(Device::Option_InfiniteLoopDetect, false); // Y8
    d.attach_peripheral(*new Board(chip)); // the device deletes it
    return d;
}

Signal* Chip::signal_of(const char* peripheral)
{
    ctlreq_data_t request{};
    return m_device.ctlreq(peripheral, AVR_CTLREQ_GET_SIGNAL, &request)
        ? request.data.as_ptr<Signal>() : nullptr;
}

bool Chip::wire()
{
    Signal* interrupts = signal_of("CPUINT");
    Signal* outputs = signal_of("TC_1");
    Signal* serial = signal_of("USART0");
    timer = m_device.find_peripheral("TC_1");
    ctlreq_data_t request{};
    bool has_capture = m_device.ctlreq("TC_1", AVR_CTLREQ_TMR_GET_CAPT_HOOK, &request);
    if (interrupts == nullptr || outputs == nullptr || serial == nullptr || !has_capture) {
        return false;
    }
    interrupts->connect(interrupt_hook);
    outputs->connect(compare_hook);
    serial->connect(serial_hook);
    capture.connect(*request.data.as_ptr<SignalHook>());
    m_device.pin_manager().register_driver(compare);
    m_device.pin_manager().add_mux_config("OC1PINS", {"PB1", "PB2"});
    pickup = pin_of(job.pickup);
    has_icp1 = job.pickup.port == 'B' && job.pickup.bit == 0;
    for (int i = 0; i < job.coil_count; i++) {
        Pin* pin = pin_of(job.coils[i]);
        if (pin == nullptr) {
            std::snprintf(errors.text, sizeof errors.text, "the chip has no such pin");
            return false;
        }
        pin->signal().connect(coil_hook, i);
    }
    if (pickup != nullptr) {
        pickup->set_external_state(job.idle_level ? Wire::State_High : Wire::State_Low);
    }
    if (pickup == nullptr) {
        std::snprintf(errors.text, sizeof errors.text, "the chip has no such pin");
    }
    return pickup != nullptr;
}

Pin* Chip::pin_of(const chip_pin& p)
{
    std::string name{'P', static_cast<char>(p.port), static_cast<char>('0' + p.bit)};
    return m_device.find_pin(name);
}

void Chip::on_interrupt(const signal_data_t& s, int)
{
    int vector = static_cast<int>(s.index);
    switch (s.data.as_int()) {
    case InterruptController::State_Raised:
        chip_record_raised(&record, now(), vector);
        break;
    case InterruptController::State_Cancelled:
        chip_record_withdrawn(&record, vector);
        break;
    case InterruptController::State_Acknowledged:
        chip_record_entered(&record, cycle(), vector);
        response = true;
        break;
    case InterruptController::State_Returned:
        chip_record_left(&record, cycle() + kRetiCycles);
        break;
    default:
        break;
    }
}

void Chip::on_compare(const signal_data_t& s, int)
{
    if (s.sigid != ArchAVR_Timer::Signal_CompOutput || s.index > 1) {
        return;
    }
    auto channel = static_cast<PinDriver::pin_index_t>(s.index);
    bool connected = s.data.type() != vardata_t::Invalid;
    if (connected) {
        compare.level[channel] = s.data.as_int() != 0;
    }
    compare.set_enabled(channel, connected);
    compare.update_pin_state(channel);
}

void Chip::on_serial(const signal_data_t& s, int)
{
    if (s.sigid == UART::Signal_TX_Start) {
        chip_record_serial(&record, static_cast<uint8_t>(s.data.as_uint()));
    }
}

void Chip::on_coil(const signal_data_t& s, int channel)
{
    if (s.sigid == Wire::Signal_StateChange && !finished) {
        auto state = static_cast<Wire::StateEnum>(s.data.as_int());
        bool driven = state == Wire::State_High || state == Wire::State_Low;
        chip_record_coil(&record, now(), channel, driven, state == Wire::State_High);
    }
}

void Chip::capture_off()
{
    filtered = rising_edge = false;
}

// An edge detector sees the input exclusive-or the wanted polarity; see simavr_timer.c.
void Chip::select_capture(bool with_canceller, bool rising)
{
    bool polarity_changed = rising != rising_edge;
    filtered = with_canceller;
    rising_edge = rising;
    if (polarity_changed && level[filtered] == static_cast<int>(rising)) {
        capture_now();
    }
}

// Y13: a timer is brought up to date only to the cycle before, so that a capture read a
// count one cycle old, and a register write armed the next match one cycle late.
void Chip::capture_now()
{
    if (!has_icp1 || held) {
        return;
    }
    result.captures++;
    ahead = 1;
    m_cycle_manager.increment_cycle(1);
    capture.raise();
    m_cycle_manager.increment_cycle(-1);
    ahead = 0;
}

uint8_t Chip::temporary_byte()
{
    return timer->ioreg_read_handler(kTcnt1h, 0);
}

void Chip::arm_timer()
{
    uint8_t control = m_device.core().get_ioreg(kTccr1b)->value();
    uint8_t stopped = control & static_cast<uint8_t>(~kClockSelect);
    // Only a changed delay arms it again; stopping the clock for no time leaves the
    // prescaler alone.
    ahead = -1;
    m_cycle_manager.increment_cycle(-1);
    timer->ioreg_write_handler(kTccr1b, ioreg_write_t{stopped, control});
    timer->ioreg_write_handler(kTccr1b, ioreg_write_t{control, stopped});
    m_cycle_manager.increment_cycle(1);
    ahead = 0;
}

// The prescaler of a chip starts at zero with the release of reset; yasimavr's goes on from
// the last time the timer was looked at (Y14).
void Chip::reset_device(int flags)
{
    m_cycle_manager.increment_cycle(1);
    timer_count();
    m_cycle_manager.increment_cycle(-1);
    m_device.reset(flags);
}

void Chip::input(const chip_event& e)
{
    if (e.kind == CHIP_PIN) {
        pickup->set_external_state(e.value ? Wire::State_High : Wire::State_Low);
        return;
    }
    bool through_canceller = e.kind == CHIP_CAPTURE_FILTERED;
    bool edge = level[through_canceller] != e.value;
    level[through_canceller] = e.value;
    bool wanted = filtered == through_canceller && (e.value != 0) == rising_edge;
    if (edge && wanted) {
        capture_now();
    }
}

cycle_count_t Chip::next(cycle_count_t when)
{
    while (next_event < job.event_count && events[next_event].cycle <= when) {
        const chip_event& e = events[next_event++];
        if (e.kind == CHIP_RESET) {
            asked = held ? 0 : e.value;
        } else {
            input(e);
        }
    }
    return next_event < job.event_count ? events[next_event].cycle : 0;
}

// Everything due up to the target happens at its own cycle, in order (yasimavr's own loop
// handles it up to one instruction late); a reset cuts the running instruction.
void Chip::step_to(cycle_count_t target)
{
    cycle_count_t due;
    while ((due = m_cycle_manager.next_when()) != INVALID_CYCLE && due <= target) {
        if (due > cycle()) {
            m_cycle_manager.increment_cycle(due - cycle());
        }
        m_cycle_manager.process_timers();
        if (!held && (asked != 0 || m_device.state() == Device::State_Reset)) {
            return;
        }
    }
    if (target > cycle()) {
        m_cycle_manager.increment_cycle(target - cycle());
    }
}

void Chip::scan_stack()
{
    int lowest = static_cast<int>(core_config().ramend) + 1;
    const uint8_t* ram = Inside::sram(m_device.core());
    for (int a = job.stack_floor; a < lowest; a++) {
        if (ram[a - ram_start()] != ram_at_power_on[a]) {
            lowest = a;
        }
    }
    if (lowest < result.stack_lowest) {
        result.stack_lowest = lowest;
    }
}

void Chip::fill_ram()
{
    uint8_t* ram = Inside::sram(m_device.core());
    for (int a = ram_start(); a <= static_cast<int>(core_config().ramend); a++) {
        ram_at_power_on[a] = chip_random_byte(&seed);
        ram[a - ram_start()] = ram_at_power_on[a];
    }
}

void Chip::reset_chip()
{
    int kind = asked != 0 ? asked : CHIP_RESET_WATCHDOG;
    int flags = asked != 0 ? reset_flag(asked) : static_cast<int>(Device::Reset_WDT);
    asked = 0;
    chip_record_reset(&record, kind);
    if (kind == CHIP_RESET_POWER_ON) {
        scan_stack();
        fill_ram();
    }
    reset_device(flags);
    if (job.reset_hold_cycles > 0) {
        held = true;
        step_to(cycle() + job.reset_hold_cycles);
        held = false;
        reset_device(flags); // the watchdog counts from here
    }
    released = cycle();
}

uint8_t Chip::opcode_high()
{
    return Inside::flash(m_device.core())[Inside::pc(m_device.core()) + 1];
}

// SEI and OUT SREG, which let one more instruction run before an interrupt (Y12);
// compilers rely on it when they move the stack pointer.
bool Chip::may_enable(uint8_t high)
{
    uint8_t low = Inside::flash(m_device.core())[Inside::pc(m_device.core())];
    bool out_sreg = (high & 0xFE) == 0xBE && (low & 0x0F) == 0x0F;
    return out_sreg || (high == 0x94 && low == 0x78);
}

void Chip::one_instruction()
{
    Core& core = m_device.core();
    uint8_t high = opcode_high();
    bool masked = may_enable(high) && (core.ioctl_read_ioreg(kSregIo) & 0x80) == 0;
    cycle_count_t took = m_device.exec_cycle();
    if (masked && (core.ioctl_read_ioreg(kSregIo) & 0x80) != 0) {
        core.start_interrupt_inhibit(1);
    }
    if (response) { // Y3; what ran was the first instruction at the vector
        took += kResponseCycles + (woken ? kWakeCycles : 0);
        response = false;
    } else if ((high & 0xF0) == 0xD0) {
        took -= 1; // Y15: RCALL takes 3 cycles, not 4
    }
    woken = false;
    step_to(cycle() + took);
    watch();
}

void Chip::watch()
{
    int lowest = (sp_low->value() | sp_high->value() << 8) + 1;
    if (lowest < result.stack_lowest && lowest >= job.stack_floor) {
        result.stack_lowest = lowest;
    }
    bool hunting = result.main_cycle < 0;
    if (hunting && static_cast<int>(Inside::pc(m_device.core())) == job.main_address) {
        result.main_cycle = cycle();
    }
}

bool Chip::one_step()
{
    switch (m_device.state()) {
    case Device::State_Running:
        one_instruction();
        break;
    case Device::State_Sleeping: {
        woken = m_device.sleep_mode() != SleepMode::Pseudo;
        cycle_count_t due = m_cycle_manager.next_when();
        step_to(due == INVALID_CYCLE || due > job.end_cycle ? job.end_cycle : due);
        break;
    }
    case Device::State_Reset:
        break;
    default:
        std::snprintf(result.message, sizeof result.message, "%s", errors.text);
        result.failed = 1;
        return false;
    }
    if (asked != 0 || m_device.state() == Device::State_Reset) {
        reset_chip();
    }
    return true;
}

uint16_t Chip::timer_count()
{
    Core& core = m_device.core();
    uint8_t low = core.get_ioreg(kTcnt1l)->dbg_peek(kTcnt1l);
    return static_cast<uint16_t>(low | core.get_ioreg(kTcnt1h)->dbg_peek(kTcnt1h) << 8);
}

// Let the clock run on without the CPU until the count has stepped.
cycle_count_t Chip::next_count_step()
{
    uint16_t before = timer_count();
    for (int i = 0; i < 2 * 1024; i++) {
        step_to(cycle() + 1);
        if (timer_count() != before) {
            return cycle();
        }
    }
    return INVALID_CYCLE;
}

void Chip::find_phase()
{
    cycle_count_t first = next_count_step();
    uint16_t count = timer_count();
    cycle_count_t second = next_count_step();
    if (first == INVALID_CYCLE || second == INVALID_CYCLE) {
        return;
    }
    cycle_count_t tick = second - first;
    cycle_count_t zero = first - 1 - count * tick; // seen one cycle late, Y13
    cycle_count_t wrap = tick << 16;
    result.phase_cycle = zero < released ? zero : zero - (zero - released) / wrap * wrap;
}

bool Chip::load()
{
    std::unique_ptr<Firmware> firmware(Firmware::read_elf(job.elf));
    if (firmware == nullptr) {
        return false;
    }
    firmware->frequency = static_cast<unsigned long>(job.f_cpu_hz);
    firmware->vcc = 5.0;
    firmware->aref = 1.0;
    return m_device.load_firmware(*firmware);
}

void Chip::run()
{
    seed = job.ram_seed;
    result.ram_end = static_cast<int64_t>(core_config().ramend);
    result.stack_lowest = result.ram_end + 1;
    if (!wire() || !load()) {
        std::snprintf(result.message, sizeof result.message, "cannot set up the chip: %s",
                      errors.text);
        result.failed = 1;
        return;
    }
    sp_low = m_device.core().get_ioreg(reg_addr_t(0x3D));
    sp_high = m_device.core().get_ioreg(reg_addr_t(0x3E));
    fill_ram();
    if (job.event_count > 0) {
        m_cycle_manager.schedule(*this, events[0].cycle);
    }
    while (cycle() < job.end_cycle && one_step()) {
    }
    result.cycles_run = cycle();
    finished = true;
    scan_stack();
    for (int i = 0; i < job.peek_count; i++) {
        peek(i);
    }
    if (result.failed == 0) {
        find_phase();
    }
}

void Chip::peek(int index)
{
    for (int i = 0; i < job.peek_size[index]; i++) {
        int a = job.peek_address[index] + i;
        uint64_t byte = 0;
        if (a < 32) {
            byte = Inside::regs(m_device.core())[a];
        } else if (a < ram_start()) {
            byte = m_device.core().ioctl_read_ioreg(reg_addr_t(static_cast<short>(a - 32)));
        } else if (a <= result.ram_end) {
            byte = Inside::sram(m_device.core())[a - ram_start()];
        }
        result.peek[index] |= static_cast<int64_t>(byte << (8 * i));
    }
}

extern "C" {

__attribute__((visibility("default")))
void* chip_run_yasim(void* device, const chip_job* job, const chip_event* events,
                     chip_result* result)
{
    auto* chip = new Chip(*static_cast<Device*>(device), *job, events, *result);
    chip->run();
    return chip;
}

__attribute__((visibility("default")))
const chip_coil_change* chip_yasim_changes(void* chip)
{
    return static_cast<Chip*>(chip)->record.changes;
}

__attribute__((visibility("default")))
const uint8_t* chip_yasim_serial(void* chip)
{
    return static_cast<Chip*>(chip)->record.serial;
}

// After the device is gone: its peripherals still hold the loop's clock.
__attribute__((visibility("default")))
void chip_yasim_free(void* chip)
{
    delete static_cast<Chip*>(chip);
}
}
