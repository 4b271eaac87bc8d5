/* Second stage of the boot, 252 bytes at most, run in RAM by the chip's ROM: sets the serial
 * interface of the flash to plain reads (command 03h, which every such chip knows), then starts
 * what stands behind it. After the data sheet's description of SSI (chapter 4.10). The image is
 * copied to RAM once, so slow reads do not matter. */
    .syntax unified
    .cpu cortex-m0plus
    .thumb
    .equ SSI,        0x18000000
    .equ CTRLR0,     0x00
    .equ CTRLR1,     0x04
    .equ SSIENR,     0x08
    .equ BAUDR,      0x14
    .equ SPI_CTRLR0, 0xf4
    .equ ENTRY,      0x10000100
    .section .text
start:
    ldr  r7, =SSI
    movs r0, #0
    str  r0, [r7, #SSIENR]          @ off while it is set
    str  r0, [r7, #CTRLR1]          @ one word at a time
    movs r0, #8
    str  r0, [r7, #BAUDR]           @ slow enough for any flash
    ldr  r0, =(31 << 16) | (3 << 8) @ words of 32 bits; send, then receive
    str  r0, [r7, #CTRLR0]
    ldr  r0, =(0x03 << 24) | (2 << 8) | (6 << 2) @ 03h, 8 bits of it, 24 bits of address
    ldr  r1, =SSI + SPI_CTRLR0
    str  r0, [r1]
    movs r0, #1
    str  r0, [r7, #SSIENR]
    ldr  r0, =ENTRY                 @ stack and first instruction
    ldmia r0!, {r1, r2}
    msr  msp, r1
    bx   r2
    .ltorg
