// What yasimavr leaves open or gets wrong between pins, registers and timer 1.
#include "yasim_run.h"

#include <algorithm>
#include <cstdarg>
#include <cstdio>

#include "ioctrl_common/sim_uart.h"

namespace {

constexpr int kRetiCycles = 4;
constexpr reg_addr_t kTccr1b{0x61}, kTccr1c{0x62}, kTcnt1h{0x65};
constexpr uint8_t kIcnc1 = 0x80, kIces1 = 0x40, kForceBoth = 0xC0, kClockSelect = 0x07;
constexpr short kCompareHighIo[] = {0x69, 0x6B}; // OCR1AH, OCR1BH
constexpr short kPinIo[] = {0x03, 0x06, 0x09};   // PINB, PINC, PIND; PORTx is two further
constexpr short kWatchedIo[] = {
    0x60, 0x61, 0x62, 0x64, 0x66, 0x68, 0x6A, // TCCR1A-C, TCNT1L, ICR1L, OCR1AL, OCR1BL
    0x69, 0x6B, 0x03, 0x06, 0x09,
};

template <size_t N> bool is_one_of(const short (&list)[N], short address)
{
    return std::find(std::begin(list), std::end(list), address) != std::end(list);
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
    for (short io : kWatchedIo) {
        add_ioreg(reg_addr_t(io), bitmask_t(0));
    }
    return good;
}

void Board::ioreg_write_handler(reg_addr_t address, const ioreg_write_t& data)
{
    Core& core = device()->core();
    if (is_one_of(kPinIo, address)) { // Y10: the port would remember the wrong value
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

Chip::Chip(Device& d, const chip_job& j, const chip_event* e, chip_result& r, Peripheral* parts)
    : ChipParts(j, e, r), AbstractSimLoop(attached(d, *this, parts)),
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
Device& Chip::attached(Device& d, Chip& chip, Peripheral* parts)
{
    d.log_handler().set_writer(chip.errors);
    d.set_option(Device::Option_IgnoreBadCpuIO, true);
    d.set_option(Device::Option_InfiniteLoopDetect, false); // Y8
    d.attach_peripheral(parts != nullptr ? *parts : *new Board(chip)); // the device deletes it
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
    has_icp1 = job.pickup.port == 'B' && job.pickup.bit == 0;
    return wire_pins();
}

bool Chip::wire_pins()
{
    pickup = pin_of(job.pickup);
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
    phase = job.phase.port != 0 ? pin_of(job.phase) : nullptr;
    if (phase != nullptr) {
        phase->set_external_state(job.phase.on_level ? Wire::State_Low : Wire::State_High);
    }
    if (pickup == nullptr || !feed_analogue()) {
        std::snprintf(errors.text, sizeof errors.text, "the chip has no such pin");
        return false;
    }
    return true;
}

// Channels 0 to 7 are the pins of one port: C on the classic parts, D where there is a port F, A on
// the tinies (data sheets, port functions).
bool Chip::feed_analogue()
{
    if (job.analogue_channel < 0) {
        return true;
    }
    bool const big = m_device.find_pin("PF0") != nullptr;
    bool const classic = !big && m_device.find_pin("PD0") != nullptr;
    std::string const port{'P', big ? 'D' : (classic ? 'C' : 'A')};
    Pin* const pin = m_device.find_pin(port + static_cast<char>('0' + job.analogue_channel));
    if (pin == nullptr) {
        return false;
    }
    pin->set_external_state(Wire::State_Analog, static_cast<double>(job.analogue_mv) / job.reference_mv);
    return true;
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

void Chip::input(const chip_event& e)
{
    if (e.kind == CHIP_PIN) {
        pickup->set_external_state(e.value ? Wire::State_High : Wire::State_Low);
        return;
    }
    if (e.kind == CHIP_PHASE) {
        if (phase != nullptr) {
            phase->set_external_state(e.value ? Wire::State_High : Wire::State_Low);
        }
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
