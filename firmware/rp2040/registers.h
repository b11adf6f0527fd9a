/* Registers of the RP2040 and of its processor that this port uses, each once: its address, and of its
 * fields the lowest bit and the width. registers.toml gives each its published name; a test holds the two
 * against each other and against the vendor's published description.
 */
#ifndef BB_REGISTERS_H
#define BB_REGISTERS_H

/* Writing at these distances sets, clears or inverts single bits (peripherals on APB and AHB-lite). */
#define SET_AT 0x2000u
#define CLEAR_AT 0x3000u

#ifndef __ASSEMBLER__
#include <stdint.h>

#define REG(address) (*(volatile uint32_t *)(address))
#define REG16(address) (*(volatile uint16_t *)(address))
#define SET(address, bits) (*(volatile uint32_t *)((address) + SET_AT) = (bits))
#define CLEAR(address, bits) (*(volatile uint32_t *)((address) + CLEAR_AT) = (bits))
/* A field is `lowest bit, width`. */
#define PUT2(low, width, value) ((uint32_t)(value) << (low))
#define PUT(...) PUT2(__VA_ARGS__)
#define BIT2(low, width) (1u << (low))
#define BIT(...) BIT2(__VA_ARGS__)
#define GET2(low, width, word) ((uint32_t)(word) >> (low) & ((1u << (width)) - 1u))
#define GET(...) GET2(__VA_ARGS__)
#endif

/* Resets */
#define RESETS_RESET 0x4000C000
#define RESETS_RESET_ADC 0, 1
#define RESETS_RESET_DMA 2, 1
#define RESETS_RESET_IO_BANK0 5, 1
#define RESETS_RESET_PADS_BANK0 8, 1
#define RESETS_RESET_PIO0 10, 1
#define RESETS_RESET_PLL_SYS 12, 1
#define RESETS_RESET_PLL_USB 13, 1
#define RESETS_RESET_PWM 14, 1
#define RESETS_RESET_TIMER 21, 1
#define RESETS_RESET_USBCTRL 24, 1
#define RESETS_RESET_DONE 0x4000C008

/* What a watchdog reset takes along */
#define PSM_WDSEL 0x40010008
#define PSM_WDSEL_ROSC 0, 1
#define PSM_WDSEL_XOSC 1, 1

/* Crystal, PLLs, clocks */
#define XOSC_CTRL 0x40024000
#define XOSC_CTRL_FREQ_RANGE 0, 12
#define XOSC_CTRL_ENABLE 12, 12
#define XOSC_STATUS 0x40024004
#define XOSC_STATUS_STABLE 31, 1
#define XOSC_STARTUP 0x4002400C
#define XOSC_STARTUP_DELAY 0, 14
#define PLL_SYS_CS 0x40028000
#define PLL_SYS_CS_REFDIV 0, 6
#define PLL_SYS_CS_LOCK 31, 1
#define PLL_SYS_PWR 0x40028004
#define PLL_SYS_PWR_PD 0, 1
#define PLL_SYS_PWR_POSTDIVPD 3, 1
#define PLL_SYS_PWR_VCOPD 5, 1
#define PLL_SYS_FBDIV_INT 0x40028008
#define PLL_SYS_PRIM 0x4002800C
#define PLL_SYS_PRIM_POSTDIV1 16, 3
#define PLL_SYS_PRIM_POSTDIV2 12, 3
#define PLL_USB_CS 0x4002C000
#define PLL_USB_PWR 0x4002C004
#define PLL_USB_FBDIV_INT 0x4002C008
#define PLL_USB_PRIM 0x4002C00C
#define CLOCKS_CLK_REF_CTRL 0x40008030
#define CLOCKS_CLK_REF_CTRL_SRC 0, 2
#define CLOCKS_CLK_REF_SELECTED 0x40008038
#define CLOCKS_CLK_SYS_CTRL 0x4000803C
#define CLOCKS_CLK_SYS_CTRL_SRC 0, 1
#define CLOCKS_CLK_SYS_CTRL_AUXSRC 5, 3
#define CLOCKS_CLK_SYS_SELECTED 0x40008044
#define CLOCKS_CLK_USB_CTRL 0x40008054
#define CLOCKS_CLK_USB_CTRL_AUXSRC 5, 3
#define CLOCKS_CLK_USB_CTRL_ENABLE 11, 1
#define CLOCKS_CLK_ADC_CTRL 0x40008060
#define CLOCKS_CLK_ADC_CTRL_AUXSRC 5, 3
#define CLOCKS_CLK_ADC_CTRL_ENABLE 11, 1

/* Watchdog and the timer of microseconds that it ticks */
#define WATCHDOG_CTRL 0x40058000
#define WATCHDOG_CTRL_TRIGGER 31, 1
#define WATCHDOG_CTRL_ENABLE 30, 1
#define WATCHDOG_LOAD 0x40058004
#define WATCHDOG_REASON 0x40058008
#define WATCHDOG_REASON_FORCE 1, 1
#define WATCHDOG_SCRATCH0 0x4005800C
#define WATCHDOG_TICK 0x4005802C
#define WATCHDOG_TICK_ENABLE 9, 1
#define WATCHDOG_TICK_CYCLES 0, 9
#define TIMER_TIMEHR 0x40054008
#define TIMER_TIMELR 0x4005400C
#define TIMER_ALARM0 0x40054010
#define TIMER_TIMERAWL 0x40054028
#define TIMER_INTR 0x40054034
#define TIMER_INTR_ALARM_0 0, 1
#define TIMER_INTE 0x40054038
#define TIMER_INTE_ALARM_0 0, 1

/* A counter of the board clock's lowest 16 bits */
#define PWM_CH7_CSR 0x4005008C
#define PWM_CH7_CSR_EN 0, 1
#define PWM_CH7_DIV 0x40050090
#define PWM_CH7_DIV_INT 4, 8
#define PWM_CH7_CTR 0x40050094

/* Pins */
#define IO_BANK0_GPIO16_CTRL 0x40014084
#define IO_BANK0_GPIO16_CTRL_FUNCSEL 0, 5
#define IO_BANK0_GPIO17_CTRL 0x4001408C
#define IO_BANK0_GPIO25_CTRL 0x400140CC
#define IO_QSPI_GPIO_QSPI_SS_CTRL 0x4001800C
#define IO_QSPI_GPIO_QSPI_SS_CTRL_OUTOVER 8, 2
#define PADS_BANK0_GPIO16 0x4001C044
#define PADS_BANK0_GPIO16_SCHMITT 1, 1
#define PADS_BANK0_GPIO16_PDE 2, 1
#define PADS_BANK0_GPIO16_IE 6, 1
#define PADS_BANK0_GPIO16_OD 7, 1
#define PADS_BANK0_GPIO17 0x4001C048
#define PADS_BANK0_GPIO25 0x4001C068
#define PADS_BANK0_GPIO26 0x4001C06C
#define SIO_GPIO_IN 0xD0000004
#define SIO_GPIO_OUT_SET 0xD0000014
#define SIO_GPIO_OUT_CLR 0xD0000018
#define SIO_GPIO_OE_SET 0xD0000024

/* Converter */
#define ADC_CS 0x4004C000
#define ADC_CS_EN 0, 1
#define ADC_CS_TS_EN 1, 1
#define ADC_CS_START_ONCE 2, 1
#define ADC_CS_START_MANY 3, 1
#define ADC_CS_READY 8, 1
#define ADC_CS_ERR_STICKY 10, 1
#define ADC_CS_AINSEL 12, 3
#define ADC_CS_RROBIN 16, 5
#define ADC_RESULT 0x4004C004
#define ADC_FCS 0x4004C008
#define ADC_FCS_EN 0, 1
#define ADC_FCS_DREQ_EN 3, 1
#define ADC_FCS_EMPTY 8, 1
#define ADC_FCS_UNDER 10, 1
#define ADC_FCS_OVER 11, 1
#define ADC_FCS_THRESH 24, 4
#define ADC_FIFO 0x4004C00C
#define ADC_DIV 0x4004C010

/* DMA: the registers of channel 0; that of channel n stand n * DMA_STRIDE on */
#define DMA_STRIDE 0x40
#define DMA_CH0_READ_ADDR 0x50000000
#define DMA_CH0_WRITE_ADDR 0x50000004
#define DMA_CH0_TRANS_COUNT 0x50000008
#define DMA_CH0_CTRL_TRIG 0x5000000C
#define DMA_CH0_CTRL_TRIG_EN 0, 1
#define DMA_CH0_CTRL_TRIG_HIGH_PRIORITY 1, 1
#define DMA_CH0_CTRL_TRIG_DATA_SIZE 2, 2
#define DMA_CH0_CTRL_TRIG_INCR_WRITE 5, 1
#define DMA_CH0_CTRL_TRIG_RING_SIZE 6, 4
#define DMA_CH0_CTRL_TRIG_RING_SEL 10, 1
#define DMA_CH0_CTRL_TRIG_CHAIN_TO 11, 4
#define DMA_CH0_CTRL_TRIG_TREQ_SEL 15, 6
#define DMA_CH0_CTRL_TRIG_IRQ_QUIET 21, 1
#define DMA_CH0_CTRL_TRIG_BUSY 24, 1
#define DMA_CH0_AL1_CTRL 0x50000010
#define DMA_CHAN_ABORT 0x50000444

/* Programmable input and output 0: machines 0 and 1 */
#define PIO0_CTRL 0x50200000
#define PIO0_CTRL_SM_ENABLE 0, 4
#define PIO0_CTRL_SM_RESTART 4, 4
#define PIO0_CTRL_CLKDIV_RESTART 8, 4
#define PIO0_FDEBUG 0x50200008
#define PIO0_FDEBUG_RXSTALL 0, 4
#define PIO0_RXF0 0x50200020
#define PIO0_RXF1 0x50200024
#define PIO0_INSTR_MEM0 0x50200048
#define PIO0_STRIDE 0x18
#define PIO0_SM0_CLKDIV 0x502000C8
#define PIO0_SM0_CLKDIV_INT 16, 16
#define PIO0_SM0_EXECCTRL 0x502000CC
#define PIO0_SM0_EXECCTRL_WRAP_BOTTOM 7, 5
#define PIO0_SM0_EXECCTRL_WRAP_TOP 12, 5
#define PIO0_SM0_EXECCTRL_JMP_PIN 24, 5
#define PIO0_SM0_SHIFTCTRL 0x502000D0
#define PIO0_SM0_SHIFTCTRL_FJOIN_RX 31, 1
#define PIO0_SM0_INSTR 0x502000D8

/* USB controller */
#define USB_ADDR_ENDP 0x50110000
#define USB_MAIN_CTRL 0x50110040
#define USB_MAIN_CTRL_CONTROLLER_EN 0, 1
#define USB_SIE_CTRL 0x5011004C
#define USB_SIE_CTRL_PULLUP_EN 16, 1
#define USB_SIE_CTRL_EP0_INT_1BUF 29, 1
#define USB_SIE_STATUS 0x50110050
#define USB_SIE_STATUS_SUSPENDED 4, 1
#define USB_SIE_STATUS_RESUME 11, 1
#define USB_SIE_STATUS_SETUP_REC 17, 1
#define USB_SIE_STATUS_BUS_RESET 19, 1
#define USB_BUFF_STATUS 0x50110058
#define USB_EP_STALL_ARM 0x50110068
#define USB_USB_MUXING 0x50110074
#define USB_USB_MUXING_TO_PHY 0, 1
#define USB_USB_MUXING_SOFTCON 3, 1
#define USB_USB_PWR 0x50110078
#define USB_USB_PWR_VBUS_DETECT 2, 1
#define USB_USB_PWR_VBUS_DETECT_OVERRIDE_EN 3, 1
#define USB_INTE 0x50110090
#define USB_INTE_BUFF_STATUS 4, 1
#define USB_INTE_BUS_RESET 12, 1
#define USB_INTE_DEV_SUSPEND 14, 1
#define USB_INTE_DEV_RESUME_FROM_HOST 15, 1
#define USB_INTE_SETUP_REQ 16, 1
#define USB_INTS 0x50110098
/* Its memory: the setup packet, endpoint n's control at 8 n (in) and 8 n + 4 (out), buffer control */
#define USB_DPRAM 0x50100000
#define USB_DPRAM_EP1_IN_CONTROL 0x50100008
#define USB_DPRAM_EP1_IN_CONTROL_ENABLE 31, 1
#define USB_DPRAM_EP1_IN_CONTROL_INTERRUPT_PER_BUFF 29, 1
#define USB_DPRAM_EP1_IN_CONTROL_ENDPOINT_TYPE 26, 2
#define USB_DPRAM_EP0_IN_BUFFER_CONTROL 0x50100080
#define USB_DPRAM_EP0_IN_BUFFER_CONTROL_FULL_0 15, 1
#define USB_DPRAM_EP0_IN_BUFFER_CONTROL_PID_0 13, 1
#define USB_DPRAM_EP0_IN_BUFFER_CONTROL_STALL 11, 1
#define USB_DPRAM_EP0_IN_BUFFER_CONTROL_AVAILABLE_0 10, 1
#define USB_DPRAM_EP0_IN_BUFFER_CONTROL_LENGTH_0 0, 10

/* Serial interface to the flash */
#define SSI_CTRLR0 0x18000000
#define SSI_CTRLR0_TMOD 8, 2
#define SSI_CTRLR0_DFS_32 16, 5
#define SSI_CTRLR1 0x18000004
#define SSI_SSIENR 0x18000008
#define SSI_BAUDR 0x18000014
#define SSI_SR 0x18000028
#define SSI_SR_TFNF 1, 1
#define SSI_SR_RFNE 3, 1
#define SSI_DR0 0x18000060
#define SSI_SPI_CTRLR0 0x180000F4
#define SSI_SPI_CTRLR0_ADDR_L 2, 4
#define SSI_SPI_CTRLR0_INST_L 8, 2
#define SSI_SPI_CTRLR0_XIP_CMD 24, 8

/* The processor */
#define NVIC_ISER 0xE000E100
#define VTOR 0xE000ED08

#endif
