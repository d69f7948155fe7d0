// Run one image on a yasimavr device that Python has built; nothing returns to Python while
// the chip runs.  The numbers Y1.. are those of README.md in this folder.
#include "yasim_run.h"

#include <cstdio>

#include "core/sim_firmware.h"

namespace {

constexpr int kResponseCycles = 4, kWakeCycles = 4; // DS40002061A 7.7.1
constexpr reg_addr_t kTcnt1l{0x64}, kTcnt1h{0x65};
constexpr short kSregIo = 0x3F;

// Members a subclass may see, named without being one.
struct Inside : public Core {
    static flash_addr_t& pc(Core& c) { return c.*(&Inside::m_pc); }
    static uint8_t* sram(Core& c) { return c.*(&Inside::m_sram); }
    static uint8_t* regs(Core& c) { return &(c.*(&Inside::m_regs))[0]; }
    static NonVolatileMemory& flash(Core& c) { return c.*(&Inside::m_flash); }
};

int reset_flag(int kind)
{
    switch (kind) {
    case CHIP_RESET_POWER_ON: return Device::Reset_PowerOn;
    case CHIP_RESET_BROWN_OUT: return Device::Reset_BOD;
    default: return Device::Reset_Ext;
    }
}

} // namespace

// The prescaler of a chip starts at zero with the release of reset; yasimavr's goes on from
// the last time the timer was looked at (Y14).
void Chip::reset_device(int flags)
{
    m_cycle_manager.increment_cycle(1);
    timer_count();
    m_cycle_manager.increment_cycle(-1);
    m_device.reset(flags);
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
    int kind = asked != 0 ? asked % CHIP_RESET_KINDS : CHIP_RESET_WATCHDOG;
    int flags = asked != 0 ? reset_flag(kind) : static_cast<int>(Device::Reset_WDT);
    cycle_count_t hold = job.reset_hold_cycles + asked / CHIP_RESET_KINDS;
    asked = 0;
    chip_record_reset(&record, now(), kind);
    if (kind == CHIP_RESET_POWER_ON) {
        scan_stack();
        fill_ram();
    }
    reset_device(flags);
    if (hold > 0) {
        held = true;
        step_to(cycle() + hold);
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
    bool out_sreg = (high & 0xFE) == 0xBE && (opcode_low & 0x0F) == 0x0F;
    return out_sreg || (high == 0x94 && opcode_low == 0x78);
}

int Chip::response_cycles() const
{
    return kResponseCycles;
}

cycle_count_t Chip::true_cycles(uint8_t high, cycle_count_t took)
{
    return !response && (high & 0xF0) == 0xD0 ? took - 1 : took; // Y15: RCALL takes 3, not 4
}

void Chip::one_instruction()
{
    Core& core = m_device.core();
    uint8_t high = opcode_high();
    opcode_low = Inside::flash(core)[Inside::pc(core)];
    bool masked = may_enable(high) && (core.ioctl_read_ioreg(kSregIo) & 0x80) == 0;
    cycle_count_t took = m_device.exec_cycle();
    if (masked && (core.ioctl_read_ioreg(kSregIo) & 0x80) != 0) {
        core.start_interrupt_inhibit(1);
    }
    took = true_cycles(high, took);
    if (response) { // Y3; what ran was the first instruction at the vector
        took += response_cycles() + (woken ? kWakeCycles : 0);
        response = false;
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

// A step that a match falls on is seen at once, others one cycle late (Y13): only even steps count.
void Chip::find_phase()
{
    for (int tries = 0; tries < 8; tries++) {
        cycle_count_t first = next_count_step();
        uint16_t count = timer_count();
        cycle_count_t second = next_count_step(), third = next_count_step();
        if (first == INVALID_CYCLE || second == INVALID_CYCLE || third == INVALID_CYCLE) {
            return;
        }
        cycle_count_t tick = second - first;
        if (third - second != tick) {
            continue;
        }
        cycle_count_t zero = first - 1 - count * tick + phase_after_zero(tick);
        cycle_count_t wrap = tick << 16;
        result.phase_cycle = zero < released ? zero : zero - (zero - released) / wrap * wrap;
        return;
    }
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
    firmware->console_register = reg_addr_t(); // Y28: else address 0, a port's direction there
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
        if (a < register_count()) {
            byte = Inside::regs(m_device.core())[a];
        } else if (a < ram_start()) {
            byte = m_device.core().ioctl_read_ioreg(reg_addr_t(io_of(a)));
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
const chip_change* chip_yasim_changes(void* chip)
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
