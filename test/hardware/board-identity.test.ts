import { describe, expect, it } from 'vitest'
import { boardSigns } from '../../agent/hardware/board-identity.js'

const reading = (files: Record<string, string>) => boardSigns((path) => files[path])

describe('the identity of a board', () => {
  it('is told by the device tree first, then by the CPU, the firmware, and the installation last', () => {
    const signs = reading({
      '/etc/machine-id': '3d1219c7c4c5404aaa1f6d2a48adfda4\n',
      '/sys/class/dmi/id/product_uuid': '4c4c4544-0042-3510-8054-b4c04f4e4d32\n',
      '/proc/cpuinfo': 'processor\t: 0\nHardware\t: made\nSerial\t\t: 00000000a1b2c3d4\n',
      '/proc/device-tree/serial-number': '10000000a1b2c3d4\0',
    })
    expect(signs).toEqual([
      { source: 'device-tree', value: '10000000a1b2c3d4' },
      { source: 'cpu', value: '00000000a1b2c3d4' },
      { source: 'firmware', value: '4c4c4544-0042-3510-8054-b4c04f4e4d32' },
      { source: 'machine-id', value: '3d1219c7c4c5404aaa1f6d2a48adfda4' },
    ])
  })

  it('is unknown where nothing can be read, and where a maker left the field as it was', () => {
    expect(reading({})).toEqual([])
    const blanks = [
      '0000000000000000',
      '00000000-0000-0000-0000-000000000000',
      'To be filled by O.E.M.',
      'None',
      '',
    ]
    for (const blank of blanks)
      expect(
        reading({
          '/proc/device-tree/serial-number': `${blank}\0`,
          '/proc/cpuinfo': `Serial : ${blank}\n`,
          '/sys/class/dmi/id/product_uuid': `${blank}\n`,
          '/etc/machine-id': 'uninitialized\n',
        }),
        blank,
      ).toEqual([])
  })
})
