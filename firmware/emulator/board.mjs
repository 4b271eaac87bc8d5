// An emulated RP2040 with the front end's image in flash, its pins and its serial line.
//
// What rp2040js 1.4.1 does not model, or not in step with its clock, is repaired here: PIO runs
// from setTimeout, so it is stepped whenever a pin or a FIFO changes; the UART knows no baud rate
// and neither a sending FIFO nor the level and the time-out of the receiving one; writing a PWM slice's DIV starts its counter, and the register that starts
// several reads wrong; the ADC's round robin masks
// the input with the wrong constant; the ring oscillator's random bit, CHIP_RESET and the reset by
// the watchdog are missing. Not modelled: what boot2 sets, PLL and crystal start, DMA latency,
// SPI and I2C bit times, analogue errors.
import { RP2040 } from 'rp2040js';

export const CLK_HZ = 120e6;
const NS_PER_CYCLE = 1e9 / CLK_HZ;
const FLASH_RECORD = 0x1ff000;
const STACK_TOP = 0x40000;
const PATTERN = 0xa5; // of RAM that nobody has written
const UART_FIFO = 32;
const RX_THRESHOLD = 4;
const RX_LEVEL = 1 << 4;
const RX_TIMEOUT = 1 << 6;
const HAD_POWER_ON = 1 << 8;
const SLICE_STEP = 6;

export const PINS = { supply: 2, alive: 6, dataReady: 7, spiSelect: 9, wheel: 12, digitalIn: 18, digitalOut: 22 };
export const PWM_STEPS = 6000;

export class Board {
  // image: bytes from flash's start; record: the configuration's; random: numbers, seeded;
  // supplyPins: whether the supplies' pins really toggle
  constructor(image, record, baud, random, supplyPins = false) {
    this.supplyPins = supplyPins;
    this.image = image;
    this.record = record;
    this.byteNs = 1e10 / baud;
    this.random = random;
    this.attached = [];
    this.powerOn(new Uint8Array(0));
  }

  // Start with RAM as given (empty: never written) and what the reset registers then say.
  powerOn(ram, { reason = 0, chipReset = HAD_POWER_ON } = {}) {
    const clock = this.rp?.clock;
    if (clock) clock.nextAlarm = null; // nothing of the chip before goes on
    const rp = (this.rp = clock ? new RP2040(clock) : new RP2040());
    this.clock = rp.clock;
    this.core = rp.core;
    let complaints = 0;
    rp.logger.info = rp.logger.debug = () => {};
    rp.logger.warn = rp.logger.error = (name, message) => {
      if (/[Uu]nimplemented peripheral/.test(message)) return; // SSI, QSPI pads: boot2's
      process.stderr.write(`${name}: ${message}\n`);
      if (++complaints > 20) throw new Error('the firmware went astray');
    };
    rp.sram.fill(PATTERN);
    rp.sram.set(ram);
    rp.flash.set(this.image, 0);
    rp.flash.set(this.record, FLASH_RECORD);
    this.core.PC = 0x10000000; // the boot ROM is not needed: the second stage needs no copy
    rp.watchdog = rp.peripherals[0x40058];
    rp.watchdog.reason = reason;
    rp.watchdog.onWatchdogTrigger = () => {
      rp.watchdog.timer.enable = rp.watchdog.alarm.enable = false; // or it goes off without end
      this.bitten = rp.watchdog.reason;
    };
    this.bitten = 0;
    rp.peripherals[0x40064].readUint32 = (offset) => (offset === 8 ? chipReset : 0);
    rp.peripherals[0x40060].readUint32 = (offset) => (offset === 0x1c ? this.random() & 1 : 0);
    this.repairPio();
    this.repairPwm();
    this.repairAdc();
    this.connectUart();
    this.busy = { cycles: 0, run: 0, worst: 0 };
    this.bootedAt = this.clock.nanosCounter;
    for (const attach of this.attached) attach(this);
  }

  // What stands outside and has to be connected again after each reset.
  attach(connect) {
    this.attached.push(connect);
    connect(this);
  }

  // The watchdog bit: RAM keeps what it had.
  resetByWatchdog(reason = this.bitten) {
    this.powerOn(this.rp.sram, { reason, chipReset: 0 });
  }

  // The supply dipped: RAM kept, or lost as after a long cut.
  brownOut(ramKept) {
    this.powerOn(ramKept ? this.rp.sram : new Uint8Array(0));
  }

  repairPio() {
    for (const pio of this.rp.pio) pio.run = () => this.settle(pio);
  }

  settle(pio) {
    for (let step = 0; step < 64; step++) {
      let moved = false;
      for (const machine of pio.machines) {
        if (machine.enabled && !machine.waiting) { moved = true; machine.step(); }
      }
      if (!moved) return;
    }
  }

  repairPwm() {
    const { pwm } = this.rp;
    const read = pwm.readUint32.bind(pwm);
    pwm.readUint32 = (offset) => (offset === 0xa0
      ? pwm.channels.reduce((all, channel) => all | ((channel.csr & 1) << channel.index), 0)
      : read(offset));
    for (const channel of this.rp.pwm.channels) {
      const write = channel.writeRegister.bind(channel);
      channel.writeRegister = (offset, value) => {
        write(offset, value);
        if (offset === 4) channel.updateEnable();
        if (offset === 12) this.onCompare?.(channel.index, value);
      };
      // 20 kHz on four pins is half of all events: only where somebody looks at the pins themselves.
      const isSupply = channel.index === 1 || channel.index === 2;
      if (isSupply && !this.supplyPins) channel.updateEnable = () => {};
    }
  }

  repairAdc() {
    const { adc } = this.rp;
    Object.defineProperty(adc, 'activeChannel', {
      get() { return (this.cs >> 12) & 7; },
      set(channel) { this.cs = (this.cs & ~(7 << 12)) | ((channel & 7) << 12); },
    });
    const sample = this.clock.createAlarm(() => adc.completeADCRead(this.onAnalogue?.(adc.currentChannel) ?? 0, false));
    adc.onADCRead = (channel) => { adc.currentChannel = channel; sample.schedule(2000); };
  }

  connectUart() {
    const { rp, clock, byteNs } = this;
    const uart = rp.uart[0];
    let queued = 0;
    const leave = clock.createAlarm(() => {
      if (queued-- === UART_FIFO) rp.dma.setDREQ(uart.dreq.tx);
      if (queued) leave.schedule(byteNs);
    });
    uart.onByte = (byte) => {
      if (queued === 0) leave.schedule(byteNs);
      if (++queued === UART_FIFO) rp.dma.clearDREQ(uart.dreq.tx);
      this.onSent?.(byte, clock.nanosCounter + queued * byteNs);
    };
    this.lineIdle = () => queued === 0 && !rp.dma.channels[8].active;
    this.incoming = [];
    const late = clock.createAlarm(() => {
      uart.interruptStatus |= RX_TIMEOUT;
      uart.checkInterrupts();
    });
    this.arrive = clock.createAlarm(() => {
      uart.rxFIFO.push(this.incoming.shift());
      late.schedule(3.2 * byteNs); // 32 bit times without another byte
      if (uart.rxFIFO.itemCount >= RX_THRESHOLD) {
        uart.interruptStatus |= RX_LEVEL;
        uart.checkInterrupts();
      }
      this.lastByteAt = clock.nanosCounter;
      if (this.incoming.length) this.arrive.schedule(byteNs);
    });
  }

  // Bytes from the host, from now on at the line's rate.
  feed(bytes) {
    const idle = this.incoming.length === 0;
    for (const byte of bytes) this.incoming.push(byte);
    if (idle && bytes.length) this.arrive.schedule(this.byteNs);
  }

  pin(number, high) {
    this.rp.gpio[number].setInputValue(high);
    this.settle(this.rp.pio[0]);
  }

  // Run to a time, in ns of the emulated clock.
  run(until) {
    const { core, clock, busy } = this;
    while (clock.nanosCounter < until && !this.bitten) {
      if (core.waiting) {
        if (busy.run) {
          if (busy.run > busy.worst) busy.worst = busy.run;
          busy.cycles += busy.run;
          busy.run = 0;
        }
        const next = clock.nextAlarm;
        clock.tick((next && next.nanos < until ? next.nanos : until) - clock.nanosCounter);
      } else {
        const cycles = core.executeInstruction();
        busy.run += cycles;
        clock.tick(cycles * NS_PER_CYCLE);
      }
    }
  }

  // Run until the counter of frames starts: that moment is tick 0. Gives its time.
  runToTickZero() {
    const steps = this.rp.pwm.channels[SLICE_STEP];
    const limit = this.clock.nanosCounter + 1e9;
    while (!steps.timer.enable) {
      if (this.bitten) throw new Error('the watchdog bit during the start');
      this.run(this.clock.nanosCounter + 1000);
      if (this.clock.nanosCounter > limit) throw new Error('no frame within 1 s of the start');
    }
    this.busy = { cycles: 0, run: 0, worst: 0 };
    return steps.timer.baseNanos;
  }

  // What a supply input sees, 0 to 1 of its range: nothing from a pin that does not drive.
  duty(output) {
    const pin = PINS.supply + output;
    const { functionSelect, outputEnable } = this.rp.gpio[pin];
    if (functionSelect !== 4 || !outputEnable) return 0;
    const { cc, csr } = this.rp.pwm.channels[pin >> 1];
    return csr & 1 ? (pin & 1 ? cc >>> 16 : cc & 0xffff) / PWM_STEPS : 0;
  }

  level(number) {
    return this.rp.gpio[number].value === 1;
  }

  stackBytes(ramEnd) {
    let at = ramEnd;
    while (at < STACK_TOP && this.rp.sram[at] === PATTERN) at++;
    return STACK_TOP - at;
  }
}

// Numbers that look random and are the same each time (xorshift, Marsaglia 2003).
export function seeded(seed) {
  let state = seed >>> 0 || 1;
  return () => {
    state ^= state << 13; state >>>= 0;
    state ^= state >>> 17;
    state ^= state << 5; state >>>= 0;
    return state >>> 8;
  };
}
