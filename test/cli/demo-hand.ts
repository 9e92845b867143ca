import { readdirSync, readFileSync } from 'node:fs'
import { join } from 'node:path'
import { bytesAt, type SensorPlan } from '../../agent/simulation/made-sensor.js'

/** Counting by hand: what the demo's outcome is held against, with nothing of the program but the made bytes. */

export interface Masses {
  readonly pm2_5: number
  readonly pm10: number
}

/** One reading out of one second's bytes, undefined where the bytes are spoilt. */
function decodeByHand(bytes: Buffer, layout: string): Masses | undefined {
  if (layout === 'frames-424d-32') {
    if (bytes.length !== 32) return undefined
    const sum = bytes.subarray(0, 30).reduce((total, byte) => total + byte, 0)
    const isWhole = bytes.readUInt32BE(0) === 0x424d001c && bytes.readUInt16BE(30) === sum
    return isWhole ? { pm2_5: bytes.readUInt16BE(12), pm10: bytes.readUInt16BE(14) } : undefined
  }
  if (layout === 'frames-aac0-10') {
    if (bytes.length !== 10) return undefined
    const sum = bytes.subarray(2, 8).reduce((total, byte) => total + byte, 0) & 255
    const isWhole = bytes[0] === 0xaa && bytes[1] === 0xc0 && bytes[8] === sum && bytes[9] === 0xab
    return isWhole ? { pm2_5: bytes.readUInt16LE(2) / 10, pm10: bytes.readUInt16LE(4) / 10 } : undefined
  }
  const text = /^PM2\.5=([\d.]+) mg\/m3, PM10=([\d.]+) mg\/m3, .* status 0\r\n$/.exec(
    bytes.toString('latin1'),
  )
  return text ? { pm2_5: Number(text[1]) * 1000, pm10: Number(text[2]) * 1000 } : undefined
}

export interface HandMean extends Masses {
  /** Readings that count. */
  readonly readings: number
}

/** Plain means over the seconds after `from` up to `to`; a mass over 500 counts as 500. */
export function meanByHand(
  sensor: SensorPlan,
  from: number,
  to: number,
  counts: (second: number) => boolean = () => true,
): HandMean {
  let readings = 0
  let fine = 0
  let all = 0
  for (let second = from + 1; second <= to; second++) {
    if (!counts(second)) continue
    const masses = decodeByHand(Buffer.from(bytesAt(sensor, second)), sensor.encoder.layout)
    if (!masses) continue
    readings++
    fine += Math.min(500, masses.pm2_5)
    all += Math.min(500, masses.pm10)
  }
  return { readings, pm2_5: fine / readings, pm10: all / readings }
}

/** The numbered lines of a store or archive folder by number, as their text without the CRC. Doubles are refused. */
export function linesByHand(folder: string): Map<number, string> {
  const lines = new Map<number, string>()
  const files = readdirSync(folder).filter((name) => /^lines-.*\.csv$/.test(name))
  for (const file of files)
    for (const row of readFileSync(join(folder, file), 'utf8').split('\n')) {
      const number = row.split(',')[1]
      if (!number) continue
      if (lines.has(Number(number))) throw new Error(`${file}: number ${number} twice`)
      lines.set(Number(number), row.slice(0, row.lastIndexOf(',')))
    }
  return lines
}

/** The records of a store folder with their cells by the heading above them. */
export function recordsByHand(folder: string): Record<string, string>[] {
  const records: Record<string, string>[] = []
  let names: string[] = []
  for (const file of readdirSync(folder).sort()) {
    if (!file.endsWith('.csv')) continue
    for (const row of readFileSync(join(folder, file), 'utf8').split('\n')) {
      const cells = row.split(',')
      if (cells[0] === 'columns') names = cells.map((cell) => cell.split(' ')[0])
      if (cells[0] === 'record')
        records.push(Object.fromEntries(cells.map((cell, i) => [names[i] || String(i), cell])))
    }
  }
  return records
}
