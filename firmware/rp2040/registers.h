/* The RP2040's registers that this port uses, by its data sheet's names. Nothing of an SDK. */
#ifndef RP2040_REGISTERS_H
#define RP2040_REGISTERS_H

#include <stdint.h>

#define REG(address) (*(volatile uint32_t *)(uintptr_t)(address))
/* Aliases that set or clear the bits written and leave the others. Not for SIO and the core's own. */
#define SET(address) REG((address) + 0x2000u)
#define CLEAR(address) REG((address) + 0x3000u)

#define CLOCKS_BASE 0x40008000u
#define CLK_REF_CTRL (CLOCKS_BASE + 0x30u)
#define CLK_REF_SELECTED (CLOCKS_BASE + 0x38u)
#define CLK_SYS_CTRL (CLOCKS_BASE + 0x3Cu)
#define CLK_SYS_SELECTED (CLOCKS_BASE + 0x44u)
#define CLK_PERI_CTRL (CLOCKS_BASE + 0x48u)
#define CLK_ADC_CTRL (CLOCKS_BASE + 0x60u)

#define RESETS_RESET 0x4000C000u
#define RESETS_DONE 0x4000C008u
#define PSM_WDSEL 0x40010008u

#define IO_CTRL(pin) (0x40014004u + 8u * (uint32_t)(pin))
#define IO_INTR0 0x400140F0u
#define PADS_PIN(pin) (0x4001C004u + 4u * (uint32_t)(pin))

#define XOSC_CTRL 0x40024000u
#define XOSC_STATUS 0x40024004u
#define XOSC_STARTUP 0x4002400Cu
#define PLL_SYS_BASE 0x40028000u
#define PLL_USB_BASE 0x4002C000u
#define PLL_CS 0x0u
#define PLL_PWR 0x4u
#define PLL_FBDIV 0x8u
#define PLL_PRIM 0xCu

#define UART_DR 0x40034000u
#define UART_FR 0x40034018u
#define UART_IBRD 0x40034024u
#define UART_FBRD 0x40034028u
#define UART_LCR_H 0x4003402Cu
#define UART_CR 0x40034030u
#define UART_IFLS 0x40034034u
#define UART_IMSC 0x40034038u
#define UART_ICR 0x40034044u
#define UART_DMACR 0x40034048u

#define SPI1_CR0 0x40040000u
#define SPI1_CR1 0x40040004u
#define SPI1_DR 0x40040008u
#define SPI1_SR 0x4004000Cu
#define SPI1_CPSR 0x40040010u

#define I2C_BASE 0x40044000u
#define I2C_CON (I2C_BASE + 0x00u)
#define I2C_TAR (I2C_BASE + 0x04u)
#define I2C_DATA_CMD (I2C_BASE + 0x10u)
#define I2C_FS_SCL_HCNT (I2C_BASE + 0x1Cu)
#define I2C_FS_SCL_LCNT (I2C_BASE + 0x20u)
#define I2C_CLR_TX_ABRT (I2C_BASE + 0x54u)
#define I2C_ENABLE (I2C_BASE + 0x6Cu)
#define I2C_STATUS (I2C_BASE + 0x70u)
#define I2C_RXFLR (I2C_BASE + 0x78u)
#define I2C_FS_SPKLEN (I2C_BASE + 0xA0u)

#define ADC_CS 0x4004C000u
#define ADC_FCS 0x4004C008u
#define ADC_FIFO 0x4004C00Cu
#define ADC_DIV 0x4004C010u

#define PWM_CSR(slice) (0x40050000u + 0x14u * (uint32_t)(slice))
#define PWM_DIV(slice) (PWM_CSR(slice) + 0x4u)
#define PWM_CTR(slice) (PWM_CSR(slice) + 0x8u)
#define PWM_CC(slice) (PWM_CSR(slice) + 0xCu)
#define PWM_TOP(slice) (PWM_CSR(slice) + 0x10u)
#define PWM_EN 0x400500A0u
#define PWM_INTR 0x400500A4u
#define PWM_INTE 0x400500A8u

#define WATCHDOG_CTRL 0x40058000u
#define WATCHDOG_LOAD 0x40058004u
#define WATCHDOG_REASON 0x40058008u
#define WATCHDOG_TICK 0x4005802Cu
#define ROSC_RANDOMBIT 0x4006001Cu
#define CHIP_RESET 0x40064008u

#define DMA_READ(channel) (0x50000000u + 0x40u * (uint32_t)(channel))
#define DMA_WRITE(channel) (DMA_READ(channel) + 0x4u)
#define DMA_COUNT(channel) (DMA_READ(channel) + 0x8u)
#define DMA_CTRL_TRIG(channel) (DMA_READ(channel) + 0xCu)
#define DMA_CTRL(channel) (DMA_READ(channel) + 0x10u) /* the same without starting it */
#define DMA_INTE0 0x50000404u
#define DMA_INTS0 0x5000040Cu
#define DMA_ABORT 0x50000444u

#define PIO_CTRL 0x50200000u
#define PIO_RXF(machine) (0x50200020u + 4u * (uint32_t)(machine))
#define PIO_PROGRAM(line) (0x50200048u + 4u * (uint32_t)(line))
#define PIO_CLKDIV(machine) (0x502000C8u + 0x18u * (uint32_t)(machine))
#define PIO_EXECCTRL(machine) (PIO_CLKDIV(machine) + 0x4u)
#define PIO_PINCTRL(machine) (PIO_CLKDIV(machine) + 0x14u)

#define SIO_IN 0xD0000004u
#define SIO_OUT_SET 0xD0000014u
#define SIO_OUT_CLR 0xD0000018u
#define SIO_OUT_XOR 0xD000001Cu
#define SIO_OE_SET 0xD0000024u

#define NVIC_ISER 0xE000E100u
#define NVIC_ISPR 0xE000E200u
#define NVIC_IPR(number) (0xE000E400u + 4u * ((uint32_t)(number) / 4u))
#define SCB_VTOR 0xE000ED08u

enum { /* interrupts */
    IRQ_PWM_WRAP = 4,
    IRQ_DMA_0 = 11,
    IRQ_UART0 = 20,
    IRQ_BYTES = 26 /* of no peripheral: pended by software */
};

enum { /* what a DMA channel may wait for */
    DREQ_PIO0_RX0 = 4,
    DREQ_UART0_TX = 20,
    DREQ_ADC = 36,
    DREQ_ALWAYS = 63
};

enum { /* DMA control bits */
    DMA_ENABLE = 1 << 0,
    DMA_FIRST = 1 << 1,
    DMA_HALFWORD = 1 << 2,
    DMA_WORD = 2 << 2,
    DMA_STEP_READ = 1 << 4,
    DMA_STEP_WRITE = 1 << 5,
    DMA_RING_BITS = 6,
    DMA_RING_WRITES = 1 << 10,
    DMA_CHAIN = 11,
    DMA_DREQ = 15,
    DMA_QUIET = 1 << 21,
    DMA_BUSY = 1 << 24
};

enum { /* functions of a pin */
    PIN_SPI = 1,
    PIN_UART = 2,
    PIN_I2C = 3,
    PIN_PWM = 4,
    PIN_SIO = 5,
    PIN_PIO0 = 6,
    PIN_NONE = 31
};

enum { /* pads: input on, Schmitt trigger, 4 mA, and one pull */
    PAD_PULLED_DOWN = 0x56,
    PAD_PULLED_UP = 0x5A,
    PAD_ANALOGUE = 0x90 /* no input, no output, no pull */
};

#endif
