import { readFileSync } from 'node:fs'

/** Something that tells this board from others; hashed before it is kept anywhere. */
export interface BoardSign {
  readonly source: 'device-tree' | 'cpu' | 'firmware' | 'machine-id'
  readonly value: string
}

/** Reads a small file of the system; undefined where it cannot be read. */
export type ReadSystemFile = (path: string) => string | undefined

const places: readonly (readonly [BoardSign['source'], path: string, shape: RegExp])[] = [
  // The serial number that the boot loader read from the chip, as a string that ends with NUL (Devicetree Specification 3.1).
  ['device-tree', '/proc/device-tree/serial-number', /^([^\0]+)/],
  ['cpu', '/proc/cpuinfo', /^Serial\s*:\s*(\S+)/m],
  // Readable by root only, on boards with a PC's firmware (sysfs-class-dmi).
  ['firmware', '/sys/class/dmi/id/product_uuid', /^(\S.*)/],
  // Made at the installation and lying on the card (man 5 machine-id): it tells installations apart, not cloned cards.
  ['machine-id', '/etc/machine-id', /^([0-9a-f]{32})$/m],
]

/** What makers leave in the field: one digit again and again, or words. */
const isNoIdentity = (value: string): boolean =>
  value.length < 6 ||
  /^(.)\1*$/.test(value.replace(/[\s-]/g, '')) ||
  /^(to be filled|default|none|not |unknown|0123456789)/i.test(value)

/** Everything that tells this board, the surest first; nothing for a board of which nobody can tell. */
export function boardSigns(read: ReadSystemFile = readSystemFile): BoardSign[] {
  return places.flatMap(([source, path, shape]) => {
    const value = shape.exec(read(path) ?? '')?.[1].trim() ?? ''
    return isNoIdentity(value) ? [] : [{ source, value }]
  })
}

function readSystemFile(path: string): string | undefined {
  try {
    return readFileSync(path, 'utf8')
  } catch {
    return undefined
  }
}
