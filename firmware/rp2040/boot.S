/* Boot stage: the first 252 bytes of the flash, and their CRC, which the image tool adds.
 *
 * The boot ROM copies it to the end of SRAM and calls it, with interrupts off, on the ring oscillator. It
 * lets the flash be read where it is mapped, by the read command that every flash has (0x03, 24 address
 * bits, one line), copies the program to SRAM and starts it. Nothing is run from flash after that.
 */
#include "registers.h"
    .cpu cortex-m0plus
    .thumb
    .syntax unified

    .section .boot, "ax"
    .global boot_stage
    .thumb_func
boot_stage:
    ldr r3, =SSI_CTRLR0
    movs r0, #0
    str r0, [r3, #SSI_SSIENR - SSI_CTRLR0]  /* the others are taken while it is off */
    movs r0, #4                             /* the flash's clock: a fourth of the system's */
    str r0, [r3, #SSI_BAUDR - SSI_CTRLR0]
    ldr r0, =(31 << 16) | (3 << 8)          /* 32 bits a frame; command, then read */
    str r0, [r3]
    movs r0, #0
    str r0, [r3, #SSI_CTRLR1 - SSI_CTRLR0]
    ldr r1, =SSI_SPI_CTRLR0
    ldr r0, =(3 << 24) | (2 << 8) | (6 << 2) /* command 0x03 of 8 bits, 6 * 4 bits of address */
    str r0, [r1]
    movs r0, #1
    str r0, [r3, #SSI_SSIENR - SSI_CTRLR0]

    ldr r0, =image_from
    ldr r1, =image_to
    ldr r2, =image_end
1:  ldmia r0!, {r3}
    stmia r1!, {r3}
    cmp r1, r2
    blo 1b

    ldr r0, =image_to
    ldr r1, =VTOR
    str r0, [r1]
    ldr r1, [r0]
    msr msp, r1
    ldr r1, [r0, #4]
    bx r1
    .ltorg
