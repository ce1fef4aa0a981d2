# Runs a program of integer probes as a Linux process of its own (n64) and writes the results to standard output.
#
# "code" and "operands" are the files of the program; RESULTS is the size of the latter. The probes find their operands,
# results and data in $20, $21 and $23 and return through $28 (integer_probes.py). An exception of a probe comes as a
# signal, whose number becomes the mark ($25) of the case before it goes on behind the probe.
# Exit status: 0, or 1 if a system call failed.

    .set noreorder
    .equ SYS_write, 5001
    .equ SYS_rt_sigaction, 5013
    .equ SYS_exit, 5058
    .equ SA_SIGINFO, 8
    .equ UC_REGISTERS, 40                       # in a struct ucontext: where uc_mcontext.sc_regs begins
    .equ UC_PC, UC_REGISTERS + 8 * (32 + 32 + 8)

    .text
probes:
    .incbin "code"

    .globl __start
__start:
    dla     $16, signals
1:  lw      $4, 0($16)                          # each of the signals, up to a 0
    dla     $5, action
    li      $6, 0
    li      $7, 16                              # bytes of a signal mask
    li      $2, SYS_rt_sigaction
    syscall
    bnez    $7, fail
    daddiu  $16, $16, 4
    lw      $4, 0($16)
    bnez    $4, 1b
    nop

    dla     $20, operands
    dla     $21, results
    dla     $23, data
    dla     $28, report
    j       probes
    nop

report:
    dla     $16, results
    dla     $17, results + RESULTS
2:  li      $4, 1
    move    $5, $16
    dsubu   $6, $17, $16
    li      $2, SYS_write
    syscall
    bnez    $7, fail
    daddu   $16, $16, $2
    bne     $16, $17, 2b
    nop
    li      $4, 0
    li      $2, SYS_exit
    syscall
fail:
    li      $4, 1
    li      $2, SYS_exit
    syscall

on_signal:                                      # $4 = number of the signal, $6 = its struct ucontext
    sd      $4, UC_REGISTERS + 8 * 25 ($6)
    ld      $8, UC_PC ($6)
    daddiu  $8, $8, 4
    jr      $31
    sd      $8, UC_PC ($6)

    .data
    .align  3
operands:
    .incbin "operands"
action:                                         # struct sigaction
    .word   SA_SIGINFO, 0
    .dword  on_signal, 0, 0
signals:                                        # SIGTRAP, SIGFPE, SIGBUS
    .word   5, 8, 10, 0

    .bss
    .align  4
data:
    .space  16
results:
    .space  RESULTS
