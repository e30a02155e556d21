# Boot code of a FAT12 volume that holds no system: offsets 3Eh to 1FDh of the boot sector. Assembled by GNU as in the
# tests and compared with notsystem86.bin, which New embeds:
#	as --32 -o notsystem86.o notsystem86.s && objcopy -O binary -j .text notsystem86.o notsystem86.bin
#
# The machine reads the boot sector to 0000:7C00 and jumps there; the jump at its start leads here. 8086 code only.

	.code16
	.equ	here, 0x7C3E		# where the first byte lies

start:	cli
	xor	%ax, %ax
	mov	%ax, %ss
	mov	$0x7C00, %sp
	mov	%ax, %ds
	sti
	cld
	mov	$(here + text - start), %si
next:	lodsb
	or	%al, %al
	jz	wait
	mov	$0x0E, %ah		# write one character on the screen
	mov	$0x0007, %bx
	int	$0x10
	jmp	next
wait:	xor	%ax, %ax		# wait for a key
	int	$0x16
	int	$0x19			# and start again
	jmp	wait

text:	.ascii	"\r\nThis disk holds files but no system.\r\n"
	.asciz	"Put a system disk in the drive and press a key.\r\n"
