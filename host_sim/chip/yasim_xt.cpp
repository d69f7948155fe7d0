// The chips with timers A and B: what yasimavr leaves out between their pins and timers, event system
// and configurable logic above all.  The numbers Y20.. are those of README.md in this folder.
//
// Sources: register and bit numbers, avr-libc iom4809.h and iotn1606.h; behaviour, data sheets
// DS40002015 and DS40002312 and the instruction set manual DS40002198 (AVRxt), from memory.
#include "yasim_run.h"

#include <cstdio>

#include "arch_xt_rtc.h"
#include "arch_xt_timer_a.h"
#include "arch_xt_timer_b.h"
#include "ioctrl_common/sim_uart.h"

namespace {

// Private members, by the one place where the language does not look at access.
template <typename Tag, typename Tag::type member> struct Opened {
    friend typename Tag::type opened(Tag) { return member; }
};
struct TcaCounter {
    using type = TimerCounter ArchXT_TimerA::*;
    friend type opened(TcaCounter);
};
struct TcaTimer {
    using type = PrescaledTimer ArchXT_TimerA::*;
    friend type opened(TcaTimer);
};
struct PitCounter {
    using type = TimerCounter ArchXT_RTC::*;
    friend type opened(PitCounter);
};
struct Reschedule {
    using type = void (PrescaledTimer::*)();
    friend type opened(Reschedule);
};
template struct Opened<TcaCounter, &ArchXT_TimerA::m_sgl_counter>;
template struct Opened<TcaTimer, &ArchXT_TimerA::m_timer>;
template struct Opened<PitCounter, &ArchXT_RTC::m_pit_counter>;
template struct Opened<Reschedule, &PrescaledTimer::reschedule>;

constexpr int kResponse = 3; // one clock to finish, two to store the program counter
constexpr short kClock = 0x60, kClockLock = 0x62, kClockReset = 0x11;
constexpr short kTca = 0x0A00, kTcaLast = 0x0A3F, kEvsys = 0x0180, kCcl = 0x01C0;
constexpr short kPitControl = 0x0150;
constexpr short kEvctrl = 4; // of a TCB
constexpr uint8_t kFilter = 0x40, kEdge = 0x10, kEnable = 0x01;
constexpr uint8_t kJk = 2;
constexpr int kBlocks = 4;

// Where the two kinds of chip keep what they both have.
struct Layout {
    bool mega;
    short tcb, last_user, sequence, first_block;
    int blocks;

    uint8_t output_enable() const { return mega ? 0x40 : 0x08; }
    short user_capture() const { return kEvsys + (mega ? 0x34 : 0x12); }
    short user_block(int n, int event) const
    {
        return static_cast<short>(kEvsys + (mega ? 0x20 + 2 * n + event : 0x14 + n + 2 * event));
    }
    short block(int n) const { return static_cast<short>(first_block + 4 * n); }
};
constexpr Layout kMega{true, 0x0A80, kEvsys + 0x37, kCcl + 1, kCcl + 8, 4};
constexpr Layout kTiny{false, 0x0A40, kEvsys + 0x23, kCcl + 1, kCcl + 5, 2};

class XtChip;

class XtBoard : public Peripheral {
public:
    explicit XtBoard(const Layout& l) : Peripheral("BOARD"), layout(l) {}
    bool init(Device& device) override;
    void reset(int flags) override;
    void ioreg_write_handler(reg_addr_t address, const ioreg_write_t& data) override;
    uint8_t value(short address) { return device()->core().get_ioreg(address)->value(); }
    void keep(short address, uint8_t byte) { device()->core().get_ioreg(address)->set(byte); }

    XtChip* chip = nullptr;
    const Layout& layout;
};

class BlockDriver : public PinDriver {
public:
    BlockDriver() : PinDriver("CCLPINS", kBlocks) {}
    Pin::controls_t override_gpio(pin_index_t index, const Pin::controls_t& controls) override
    {
        Pin::controls_t c = controls;
        c.drive = level[index];
        return c;
    }
    unsigned char level[kBlocks] = {0, 0, 0, 0};
};

// The clock after an event: what it does to flip-flops and capture.
class NextClock : public CycleTimer {
public:
    explicit NextClock(XtChip& owner) : chip(owner) {}
    cycle_count_t next(cycle_count_t when) override;

private:
    XtChip& chip;
};

class XtChip : public Chip {
public:
    XtChip(Device& d, const chip_job& j, const chip_event* e, chip_result& r, XtBoard* b)
        : Chip(d, j, e, r, b), board(*b), next_clock(*this), match_hook(*this, &XtChip::on_match)
    {
        board.chip = this;
    }
    ~XtChip() override { m_cycle_manager.cancel(next_clock); }

    void strobe(uint8_t channels);
    void logic_changed();
    void capture_changed(uint8_t old_control);
    void user_changed();
    void arm_timer();
    void begin_periodic();
    void reset_done();
    void after_event();

protected:
    bool wire() override;
    void input(const chip_event& e) override;
    uint16_t timer_count() override;
    cycle_count_t true_cycles(uint8_t high, cycle_count_t took) override;
    int response_cycles() const override { return kResponse; }
    // A match is an event one tick after the count it names, and acts one clock later.
    cycle_count_t phase_after_zero(cycle_count_t tick) const override { return tick + 1; }
    short io_of(int data_address) const override { return static_cast<short>(data_address); }
    int register_count() const override { return 0; }

private:
    void on_match(const signal_data_t& s, int);
    void event(uint8_t users);
    bool in_block(int n, uint8_t users);
    void drive();
    void show(int n, bool level);
    uint8_t channel_of_match(int match);
    bool from_pickup();
    void to_capture(int level_now);
    void fail(const char* why);

    XtBoard& board;
    NextClock next_clock;
    BlockDriver driver;
    Signal capture_input;
    ArchXT_TimerA* tca = nullptr;
    bool flip_flop[kBlocks] = {false, false, false, false};
    uint8_t arrived = 0; // channels, as users name them, whose event acts at the next clock
    int seen = 0;        // level at TCB0's edge detector
    BoundFunctionSignalHook<XtChip> match_hook;
};

bool XtBoard::init(Device& device)
{
    bool good = Peripheral::init(device);
    for (short io = kEvsys; io <= layout.last_user; io++) {
        add_ioreg(io, bitmask_t(0xFF)); // Y20
    }
    for (short io = kCcl; io < layout.block(layout.blocks); io++) {
        add_ioreg(io, bitmask_t(0xFF)); // Y21
    }
    add_ioreg(kClock, bitmask_t(0xFF)); // Y22
    add_ioreg(static_cast<short>(kClock + 1), bitmask_t(0xFF));
    add_ioreg(kClockLock, bitmask_t(0xFF));
    add_ioreg(kPitControl, bitmask_t(0));
    add_ioreg(static_cast<short>(layout.tcb + kEvctrl), bitmask_t(0));
    for (short io = kTca; io <= kTcaLast; io++) {
        if (device.core().get_ioreg(io) != nullptr) {
            add_ioreg(io, bitmask_t(0));
        }
    }
    return good;
}

void XtBoard::reset(int)
{
    keep(static_cast<short>(kClock + 1), kClockReset);
    if (chip != nullptr) {
        chip->reset_done();
    }
}

void XtBoard::ioreg_write_handler(reg_addr_t address, const ioreg_write_t& data)
{
    short io = static_cast<short>(address);
    bool logic = io >= kCcl && io < layout.block(layout.blocks);
    if (logic && io != kCcl && (value(kCcl) & kEnable) != 0) {
        keep(io, data.old); // settings are locked while the logic is on
        return;
    }
    if (io == kClock + 1 && (value(kClockLock) & kEnable) != 0) {
        keep(io, data.old);
    } else if (logic) {
        chip->logic_changed();
    } else if (layout.mega ? io == kEvsys : io == kEvsys + 1) {
        keep(io, 0);
        chip->strobe(data.value);
    } else if (io >= kEvsys && io <= layout.last_user) {
        chip->user_changed();
    } else if (io == layout.tcb + kEvctrl) {
        chip->capture_changed(data.old);
    } else if (io >= kTca && io <= kTcaLast) {
        chip->arm_timer();
    } else if (io == kPitControl) {
        chip->begin_periodic();
    }
}

cycle_count_t NextClock::next(cycle_count_t)
{
    chip.after_event();
    return 0;
}

bool XtChip::wire()
{
    Signal* interrupts = signal_of("CPUINT");
    ctlreq_data_t request{};
    if (interrupts == nullptr || !m_device.ctlreq("TCB0", AVR_CTLREQ_TCB_GET_EVENT_HOOK, &request)) {
        return false;
    }
    interrupts->connect(interrupt_hook);
    capture_input.connect(*request.data.as_ptr<SignalHook>(), 0);
    for (const char* unit : {"USART0", "USART1", "USART2", "USART3"}) {
        Signal* serial = m_device.find_peripheral(unit) != nullptr ? signal_of(unit) : nullptr;
        if (serial != nullptr) {
            serial->connect(serial_hook);
        }
    }
    tca = static_cast<ArchXT_TimerA*>(m_device.find_peripheral("TCA0"));
    (tca->*opened(TcaCounter())).signal().connect(match_hook);
    m_device.pin_manager().register_driver(driver);
    if (board.layout.mega) {
        m_device.pin_manager().add_mux_config("CCLPINS", {"PA3", "PC3", "PD3", "PF3"});
    } else {
        m_device.pin_manager().add_mux_config("CCLPINS", {"PA4", "PA7", "", ""});
    }
    seen = job.idle_level;
    return wire_pins();
}

void XtChip::fail(const char* why)
{
    std::snprintf(errors.text, sizeof errors.text, "%s", why);
    m_device.crash(CRASH_INVALID_CONFIG, why);
}

void XtChip::reset_done()
{
    arrived = 0;
    m_cycle_manager.cancel(next_clock);
    for (int n = 0; n < kBlocks; n++) {
        flip_flop[n] = false;
    }
    drive();
}

// ---- Time ---------------------------------------------------------------------------------------

uint16_t XtChip::timer_count()
{
    TimerCounter& counter = tca->*opened(TcaCounter());
    counter.update();
    return static_cast<uint16_t>(counter.counter());
}

// Y13: a write arms the next match one cycle late; the timers stand at the cycle before.
void XtChip::arm_timer()
{
    PrescaledTimer& clock = tca->*opened(TcaTimer());
    clock.update();
    m_cycle_manager.increment_cycle(-1);
    (clock.*opened(Reschedule()))();
    m_cycle_manager.increment_cycle(1);
}

// Y27: the periodic interrupt counts only once it has been told to, which nothing does.
void XtChip::begin_periodic()
{
    auto* rtc = static_cast<ArchXT_RTC*>(m_device.find_peripheral("RTC"));
    (rtc->*opened(PitCounter())).reschedule();
}

// Y23: AVRxt needs other numbers of clocks than the older core for these.
cycle_count_t XtChip::true_cycles(uint8_t high, cycle_count_t took)
{
    uint8_t low = opcode_low;
    uint16_t opcode = static_cast<uint16_t>(high << 8 | low);
    if ((opcode & 0xFE0F) == 0x9000) { // LDS
        took += 1;
    } else if ((opcode & 0xFE0F) == 0x9200) { // STS takes two on both
    } else if ((opcode & 0xFE00) == 0x9200 || (opcode & 0xD200) == 0x8200) { // ST, STD, PUSH
        took -= 1;
    } else if ((opcode & 0xFD00) == 0x9800) { // CBI, SBI
        took -= 1;
    } else if ((opcode & 0xF000) == 0xD000) { // RCALL
        took -= 2;
    } else if ((opcode & 0xFE0E) == 0x940E || opcode == 0x9509) { // CALL, ICALL
        took -= 1;
    }
    uint8_t divider = board.value(static_cast<short>(kClock + 1)); // Y22
    static constexpr int by[16] = {2, 4, 8, 16, 32, 64, 64, 64, 6, 10, 12, 24, 48, 64, 64, 64};
    return (divider & 1) != 0 ? took * by[divider >> 1 & 15] : took;
}

// ---- Events -------------------------------------------------------------------------------------

// The channel that carries a match, as users name it; 0 none.
uint8_t XtChip::channel_of_match(int match)
{
    if (!board.layout.mega) {
        return board.value(kEvsys + 0x0A) == 4 + match ? 1 : 0;
    }
    for (uint8_t n = 0; n < 8; n++) {
        if (board.value(static_cast<short>(kEvsys + 0x10 + n)) == 0x84 + match) {
            return static_cast<uint8_t>(n + 1);
        }
    }
    return 0;
}

// Y24: in single mode a match is an event, whether its interrupt is enabled or not.
void XtChip::on_match(const signal_data_t& s, int)
{
    if (s.sigid == TimerCounter::Signal_CompMatch) {
        event(channel_of_match(static_cast<int>(s.index)));
    }
}

void XtChip::strobe(uint8_t channels)
{
    for (uint8_t n = 0; n < 8; n++) {
        if ((channels >> n & 1) != 0) {
            event(static_cast<uint8_t>(n + 1));
        }
    }
}

void XtChip::event(uint8_t channel)
{
    if (channel != 0) {
        arrived = channel;
        m_cycle_manager.schedule(next_clock, m_cycle_manager.cycle() + 1);
    }
}

// Output of a logic block while an event is high; inputs from elsewhere are not modelled.
bool XtChip::in_block(int n, uint8_t channel)
{
    short block = board.layout.block(n);
    uint8_t sources = board.value(static_cast<short>(block + 1));
    int selected[3] = {sources & 15, sources >> 4, board.value(static_cast<short>(block + 2)) & 15};
    int line = 0;
    for (int i = 0; i < 3; i++) {
        if (selected[i] == 3 || selected[i] == 4) {
            uint8_t user = board.value(board.layout.user_block(n, selected[i] - 3));
            line |= channel != 0 && user == channel ? 1 << i : 0;
        } else if (selected[i] != 0) {
            fail("a logic block's input that the wrapper does not know");
        }
    }
    bool enabled = (board.value(block) & board.value(kCcl) & kEnable) != 0;
    return enabled && (board.value(static_cast<short>(block + 3)) >> line & 1) != 0;
}

void XtChip::after_event()
{
    uint8_t channel = arrived;
    arrived = 0;
    for (int n = 0; n < board.layout.blocks; n += 2) {
        bool j = in_block(n, channel), k = in_block(n + 1, channel);
        if (board.value(static_cast<short>(board.layout.sequence + n / 2)) == kJk) {
            flip_flop[n] = (j && !flip_flop[n]) || (!k && flip_flop[n]);
        }
    }
    drive();
    if (board.value(board.layout.user_capture()) == channel && channel != 0 &&
        (board.value(static_cast<short>(board.layout.tcb + kEvctrl)) & kFilter) == 0) {
        to_capture(1);
        to_capture(0);
    }
}

void XtChip::drive()
{
    for (int n = 0; n < board.layout.blocks; n++) {
        uint8_t control = board.value(board.layout.block(n));
        bool enabled = (control & board.value(kCcl) & kEnable) != 0;
        bool sequential = board.value(static_cast<short>(board.layout.sequence + n / 2)) == kJk;
        if (!enabled) {
            flip_flop[n] = false; // cleared with its even block
        }
        auto index = static_cast<PinDriver::pin_index_t>(n);
        driver.level[n] = sequential && n % 2 == 0 && flip_flop[n];
        driver.set_enabled(index, enabled && (control & board.layout.output_enable()) != 0);
        driver.update_pin_state(index);
    }
}

void XtChip::logic_changed()
{
    for (int n = 0; n < board.layout.blocks; n++) {
        uint8_t sequence = board.value(static_cast<short>(board.layout.sequence + n / 2));
        if ((sequence & 7) != 0 && (sequence & 7) != kJk) {
            fail("a sequential logic that the wrapper does not know");
        } else if (in_block(n, 0)) {
            fail("a logic block that is on without an event, which the wrapper does not know");
        }
    }
    drive();
}

// ---- Capture ------------------------------------------------------------------------------------

// Whether TCB0 listens to the pickup's pin.
bool XtChip::from_pickup()
{
    uint8_t user = board.value(board.layout.user_capture());
    int letter = job.pickup.port - 'A', bit = job.pickup.bit;
    if (!board.layout.mega) { // channels 3 and 4: asynchronous 0 and 1, ports A and B
        return user == 3 + letter &&
               board.value(static_cast<short>(kEvsys + 2 + letter)) == 0x0A + bit;
    }
    int channel = user - 1;
    return user != 0 && channel / 2 == letter / 2 &&
           board.value(static_cast<short>(kEvsys + 0x10 + channel)) == 0x40 + 8 * (letter % 2) + bit;
}

// Y13: a timer is brought up to date only to the cycle before.
void XtChip::to_capture(int level_now)
{
    if (level_now != seen && !held) {
        seen = level_now;
        ahead = 1;
        m_cycle_manager.increment_cycle(1);
        capture_input.raise(0, level_now);
        m_cycle_manager.increment_cycle(-1);
        ahead = 0;
    }
}

void XtChip::user_changed()
{
    if (from_pickup()) {
        to_capture(level[filtered]);
    } else {
        to_capture(0);
    }
}

// Y25: no canceller; selecting the edge whose level is there already looks like that edge.
void XtChip::capture_changed(uint8_t old_control)
{
    uint8_t control = board.value(static_cast<short>(board.layout.tcb + kEvctrl));
    filtered = (control & kFilter) != 0;
    if (from_pickup()) {
        to_capture(level[filtered]);
    }
    bool falling = (control & kEdge) != 0;
    if (((control ^ old_control) & kEdge) != 0 && seen == (falling ? 0 : 1)) {
        to_capture(1 - seen);
        to_capture(1 - seen);
    }
}

void XtChip::input(const chip_event& e)
{
    if (e.kind != CHIP_CAPTURE_DIRECT && e.kind != CHIP_CAPTURE_FILTERED) {
        Chip::input(e);
        return;
    }
    bool through_canceller = e.kind == CHIP_CAPTURE_FILTERED;
    level[through_canceller] = e.value;
    if (filtered == through_canceller && from_pickup()) {
        uint8_t control = board.value(static_cast<short>(board.layout.tcb + kEvctrl));
        bool wanted = (e.value != 0) == ((control & kEdge) == 0);
        result.captures += seen != e.value && wanted && (control & kEnable) != 0;
        to_capture(e.value);
    }
}

} // namespace

extern "C" __attribute__((visibility("default")))
void* chip_run_yasim_xt(void* device, const chip_job* job, const chip_event* events,
                        chip_result* result, int mega)
{
    auto* board = new XtBoard(mega != 0 ? kMega : kTiny);
    auto* chip = new XtChip(*static_cast<Device*>(device), *job, events, *result, board);
    chip->run();
    return static_cast<Chip*>(chip);
}
