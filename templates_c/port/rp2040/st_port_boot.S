/* Second stage of the RP2040's boot (2.8.1.3): the first 256 bytes of flash, which the boot ROM copies to
 * RAM and runs when their last word is the CRC-32 of the others (polynomial 0x04C11DB7, from all ones, not
 * reflected, not inverted).  It lets flash be read at 0x10000000 by the command that every serial flash
 * knows, 03h, at a quarter of the CPU clock: 30 MHz.  SSI: 4.10.13. */
    .syntax unified
    .cpu cortex-m0plus
    .thumb
    .section .boot2, "ax"

    ldr r3, =0x18000000
    movs r0, #0
    str r0, [r3, #0x08]   @ SSIENR: off while it is set up
    movs r1, #4
    str r1, [r3, #0x14]   @ BAUDR
    ldr r1, =0x001F0300
    str r1, [r3, #0x00]   @ CTRLR0: frames of 32 bits, read after command and address, one line
    str r0, [r3, #0x04]   @ CTRLR1: one frame a read
    ldr r1, =0x03000218
    ldr r2, =0x180000F4
    str r1, [r2]          @ SPI_CTRLR0: 03h, 8 bits of command, 24 of address
    movs r1, #1
    str r1, [r3, #0x08]   @ SSIENR: on
    ldr r0, =0x10000100
    ldr r1, =0xE000ED08
    str r0, [r1]          @ VTOR: the start table
    ldm r0!, {r1, r2}
    msr msp, r1
    bx r2
    .align 2
    .pool
    .org 252
    .word 0x35C5B51E
