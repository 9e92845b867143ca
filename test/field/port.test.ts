/**
 * Field cases of the port: it goes away, comes back elsewhere, is held by somebody else, gives nothing, resets for ever, or
 * is no port at all. All on real parts: the built `motepost run`, a pty, a real broker; records are one second long.
 */
import { spawn, type ChildProcess } from 'node:child_process'
import {
  chmodSync,
  chownSync,
  closeSync,
  constants,
  existsSync,
  mkdirSync,
  openSync,
  readFileSync,
  readSync,
  realpathSync,
  writeFileSync,
  writeSync,
} from 'node:fs'
import { join } from 'node:path'
import { afterEach, expect, it } from 'vitest'
import { command } from '../../agent/instruments/instruments.js'
import { loadLayout } from '../../agent/cli/layouts.js'
import { FieldRig, type RigOptions } from '../support/field-rig.js'
import { describeWith } from '../support/real-parts.js'
import { storedEvents } from '../support/stored-records.js'
import { waitFor } from '../support/wait.js'

const minute = 60_000
/** Silence as short as the settings allow. */
const quick = 'silent_after_s: 2, reopen_after_s: 2'

/** Command `name` of a layout, as it goes over the line. */
function bytesOf(layout: string, ...names: ('wake' | 'active' | 'start' | 'read')[]): Buffer {
  const read = loadLayout(layout)
  if (!read.ok) throw new Error(read.fault.detail)
  return Buffer.concat(names.map((name) => command(read.value, name) ?? new Uint8Array(0)))
}

/** Takes the lowest number that is free of a pseudo-terminal. */
const takeNumber = (): number => openSync('/dev/ptmx', constants.O_RDWR | constants.O_NOCTTY)

const occurrences = (whole: Buffer, part: Buffer): number => {
  let n = 0
  for (let at = whole.indexOf(part); at >= 0; at = whole.indexOf(part, at + part.length)) n++
  return n
}

let rig: FieldRig
const make = async (options: RigOptions = {}): Promise<FieldRig> => (rig = await FieldRig.make(options))

describeWith(['socat', 'mosquitto'], 'a port that goes away [rig]', () => {
  afterEach((context) => rig.end(context.task.result?.state === 'fail'))

  it(
    'PC-01 a sensor unplugged between frames is told, is a gap without a value, and is read again when it returns',
    async () => {
      await make({ broker: true })
      rig.feedFrames()
      rig.start()
      await rig.untilMeasured('before the loss')
      rig.stopFeeding()
      await rig.pty.unplug()
      await rig.untilHealth('port-gone', () => rig.hasFault('port-gone'), 5)
      await waitFor('a record without data', () => (rig.records.at(-1)?.excluded['no-data'] ?? 0) >= 0.9)
      const away = rig.newestSeq
      const gap = rig.records.at(-1)!
      expect(gap.values['pm2_5:mean']).toBeUndefined()
      await rig.pty.replug()
      rig.feedFrames()
      await rig.untilMeasured('after the return', away, 1, 10)
      await rig.untilHealth('over', () => !rig.hasFault('port-gone'))
      expect(rig.raised('port-gone')).toBe(1)
      for (const record of rig.measured()) expect(record.values['pm2_5:mean']).toBeGreaterThanOrEqual(10)
    },
    minute,
  )

  it(
    'PC-03 an adapter that comes back as another device behind the same link is used, and the old one let go',
    async () => {
      await make()
      const before = realpathSync(rig.pty.sensor)
      rig.feedFrames()
      rig.start()
      await rig.untilMeasured('on the first device')
      rig.stopFeeding()
      await rig.pty.unplug()
      await rig.untilLog('port-gone')
      // Something else takes the old number, as after a reset with the old descriptor still held.
      const blockers = [takeNumber()]
      // Others on this machine may have left lower ones free.
      while (!existsSync(before)) blockers.push(takeNumber())
      await rig.pty.replug()
      const now = realpathSync(rig.pty.sensor)
      rig.feedFrames()
      await rig.untilMeasured('on the second device', rig.newestSeq)
      blockers.forEach(closeSync)
      expect(now).not.toBe(before)
      expect(rig.descriptors()).toContain(now)
      // The kernel calls one that is held and gone '… (deleted)'; /dev/pts/1 is not /dev/pts/10.
      expect(rig.descriptors().filter((to) => to.split(' ')[0] === before)).toEqual([])
    },
    minute,
  )

  it(
    'PC-11 a sensor that sleeps is woken until it answers, and gets no old command after an outage',
    async () => {
      await make({ instrument: quick })
      const wake = bytesOf('frames-424d-32', 'wake')
      rig.start()
      let woken = 0
      await waitFor('the third wake command', () => (woken += occurrences(rig.pty.heard(), wake)) >= 3, 30)
      expect(rig.measured()).toEqual([])
      rig.feedFrames()
      await rig.untilMeasured('after the third wake command')
      // A silence makes the next command due; then the line goes away with it.
      rig.stopFeeding()
      await rig.untilLog('sensor-silent')
      await rig.pty.unplug()
      await waitFor('three records without a line', () => rig.records.length >= 3)
      await rig.pty.replug()
      const heard: Buffer[] = []
      await waitFor('commands after the return', () => {
        heard.push(rig.pty.heard())
        return Buffer.concat(heard).length > 0
      })
      rig.feedFrames()
      await rig.untilMeasured('after the return', rig.newestSeq)
      heard.push(rig.pty.heard())
      // What is sent at an opening, once; nothing that waited.
      expect(Buffer.concat(heard)).toEqual(bytesOf('frames-424d-32', 'wake', 'active'))
    },
    minute,
  )

  it(
    'PC-15 an adapter that resets again and again is one fault with a count, and costs no descriptor and no memory',
    async () => {
      await make({ broker: true, instrument: quick })
      rig.feedFrames(200)
      rig.start()
      await rig.untilMeasured('before the resets')
      const cycle = async (): Promise<void> => {
        await rig.pty.unplug()
        await waitFor('the loss', () => !rig.descriptors().some((to) => to.includes('/pts/')))
        const before = rig.newestSeq
        await rig.pty.replug()
        await rig.untilMeasured('after a reset', before)
      }
      for (let n = 0; n < 2; n++) await cycle()
      // The port itself may be between two openings just now; of it there is never more than one.
      const isPort = (to: string): boolean => to.includes('/pts/')
      const others = (): number => rig.descriptors().filter((to) => !isPort(to)).length
      const [descriptors, kilobytes] = [others(), rig.residentKilobytes()]
      for (let n = 0; n < 4; n++) await cycle()
      // A file of the store is open for as long as its sync takes; what leaks stays.
      await waitFor('as few descriptors as before', () => others() <= descriptors)
      expect(rig.descriptors().filter(isPort).length).toBeLessThanOrEqual(1)
      expect(rig.residentKilobytes()).toBeLessThan(kilobytes + 20_000)
      expect(rig.raised('port-unsteady')).toBe(1)
      expect(rig.raised('port-gone')).toBe(1)
      await rig.untilHealth('port-unsteady', () => rig.hasFault('port-unsteady'))
      expect(rig.health!.instruments[0].losses).toBeGreaterThanOrEqual(2)
    },
    2 * minute,
  )
})

describeWith(['socat', 'mosquitto'], 'a port that is shared or silent [rig]', () => {
  afterEach((context) => rig.end(context.task.result?.state === 'fail'))

  it(
    'PC-04 a port that another program has locked is waited for, with few words',
    async () => {
      await make()
      const holder = spawn('flock', ['--exclusive', realpathSync(rig.pty.sensor), 'sleep', '600'], {
        detached: true,
      })
      await waitFor('the lock', () => isLocked(rig.pty.sensor))
      rig.feedFrames()
      rig.start()
      await rig.untilLog('port-busy')
      await waitFor('five records without data', () => rig.records.length >= 5)
      expect(rig.measured()).toEqual([])
      endGroup(holder)
      await rig.untilMeasured('after the lock was given back')
      expect(rig.raised('port-busy')).toBe(1)
      expect(rig.log.trim().split('\n').length).toBeLessThan(20)
    },
    minute,
  )

  it(
    'PC-05 an open port without data is closed and opened again, told once, and read as soon as frames resume',
    async () => {
      await make({ broker: true, instrument: quick })
      rig.feedFrames()
      rig.start()
      await rig.untilMeasured('before the silence')
      rig.stopFeeding()
      const wake = bytesOf('frames-424d-32', 'wake')
      rig.pty.heard()
      // Each opening and each silence sends the wake command; the line itself never went away.
      let woken = 0
      await waitFor(
        'the wake command three times',
        () => (woken += occurrences(rig.pty.heard(), wake)) >= 3,
        30,
      )
      expect(rig.hasFault('sensor-silent')).toBe(true)
      rig.feedFrames()
      await rig.untilMeasured('after the silence', rig.newestSeq)
      await rig.untilHealth('over', () => !rig.hasFault('sensor-silent'))
      expect(rig.raised('sensor-silent')).toBe(1)
      expect(rig.raised('port-gone')).toBe(0)
    },
    minute,
  )

  it(
    'PC-10 a program that writes to the port and eats half of its bytes makes no value, only counts',
    async () => {
      await make({ broker: true })
      rig.feedFrames(100)
      rig.start()
      await rig.untilMeasured('before the thief')
      const thief = openSync(rig.pty.sensor, constants.O_RDWR | constants.O_NOCTTY | constants.O_NONBLOCK)
      writeSync(thief, 'AT\r')
      let stolen = 0
      const stealing = setInterval(() => (stolen += readSome(thief)), 150)
      await waitFor('half a kilobyte to be stolen', () => stolen > 500, 30)
      clearInterval(stealing)
      closeSync(thief)
      const after = rig.newestSeq
      await rig.untilMeasured('after the thief', after, 3)
      for (const { values } of rig.measured()) {
        expect(values['pm2_5:mean']).toBeGreaterThanOrEqual(10)
        expect(values['pm2_5:max']).toBeLessThanOrEqual(16)
      }
      // Any change brings a health message with the counts of now.
      await rig.pty.unplug()
      await rig.untilHealth('port-gone', () => rig.hasFault('port-gone'))
      const { refused } = rig.health!.instruments[0].decoder
      expect(Object.values(refused).reduce((sum, bytes) => sum + bytes, 0)).toBeGreaterThan(0)
    },
    minute,
  )

  it('PC-10 the rule that keeps the modem service from the adapter is shipped', () => {
    const root = join(import.meta.dirname, '../..')
    const rule = readFileSync(join(root, 'systemd/60-motepost-sensor.rules'), 'utf8')
    expect(rule).toMatch(/^ACTION!="remove", SUBSYSTEM=="tty".*ENV\{ID_MM_DEVICE_IGNORE\}="1"$/m)
    const shipped = JSON.parse(readFileSync(join(root, 'package.json'), 'utf8')) as { files: string[] }
    expect(shipped.files).toContain('systemd')
  })

  it(
    'PC-14 control lines that the port does not have are one note, and the data are normal',
    async () => {
      await make({ instrument: `dtr: true, ${quick}` })
      rig.feedFrames()
      rig.start()
      await rig.untilMeasured('on a port without control lines', 0, 3)
      await rig.pty.unplug()
      await rig.untilLog('port-gone')
      await rig.pty.replug()
      await rig.untilMeasured('after another opening', rig.newestSeq)
      expect(rig.raised('control-lines')).toBe(1)
    },
    minute,
  )
})

describeWith(['socat', 'mosquitto', 'setpriv'], 'a path that is no usable port [rig]', () => {
  afterEach((context) => rig.end(context.task.result?.state === 'fail'))

  const told: [string, string, RegExp, (rig: FieldRig) => string][] = [
    ['nothing', 'port-missing', /does not exist/, ({ folder }) => join(folder, 'nothing')],
    ['a file', 'port-not-serial', /not a serial device: .*\(a file\)/, aFile],
    ['a folder', 'port-not-serial', /not a serial device: .*\(a folder\)/, aFolder],
    ['another device', 'port-not-serial', /not a serial device: .*\(another kind/, () => '/dev/null'],
  ]
  it.each(told)(
    'PC-79 %s in place of the port is told as %s, and the agent goes on',
    async (_, code, words, path) => {
      await make()
      rig.writeSettings({ port: path(rig) })
      rig.start()
      await rig.untilLog(code)
      expect(rig.log).toMatch(words)
      await waitFor('three records', () => rig.records.length >= 3)
      expect(rig.raised(code)).toBe(1)
      expect(rig.running).toBe(true)
      expect(await rig.stop()).toBe(0)
    },
  )

  it('PC-79 a port without permission is told as such, is tried again, and is read once it is allowed', async () => {
    await make()
    const nobody = 65_534
    // Root may open everything: the agent runs as a user without rights.
    const asNobody = ['setpriv', `--reuid=${nobody}`, `--regid=${nobody}`, '--clear-groups']
    const root = process.getuid?.() === 0
    if (root) chownSync(rig.folder, nobody, nobody)
    chmodSync(realpathSync(rig.pty.sensor), 0)
    chmodSync(join(rig.pty.sensor, '..'), 0o755)
    rig.feedFrames()
    rig.start({}, root ? asNobody : [])
    await rig.untilLog('port-denied')
    expect(rig.log).toMatch(/no permission for the sensor port/)
    expect(rig.running).toBe(true)
    chmodSync(realpathSync(rig.pty.sensor), 0o666)
    await rig.untilMeasured('once it is allowed', 0, 1, 20)
    expect(await rig.stop()).toBe(0)
    expect(storedEvents(rig.data).map(({ name }) => name)).toEqual(['started', 'settings', 'stopped'])
  }, 40_000)
})

function aFile({ folder }: FieldRig): string {
  writeFileSync(join(folder, 'a-file'), 'x')
  return join(folder, 'a-file')
}

function aFolder({ folder }: FieldRig): string {
  mkdirSync(join(folder, 'a-folder'))
  return join(folder, 'a-folder')
}

/** By the kernel's list of locks: device and inode of the file (proc(5)). */
function isLocked(path: string): boolean {
  const inode = realpathSync(path).split('/').pop()
  return readFileSync('/proc/locks', 'utf8')
    .split('\n')
    .some((line) => line.includes('FLOCK') && new RegExp(`:${Number(inode) + 3} `).test(line))
}

/** The holder and the program it waits for; both were started by this test. */
function endGroup({ pid }: ChildProcess): void {
  process.kill(-pid!, 'SIGTERM')
}

function readSome(fd: number): number {
  try {
    return readSync(fd, Buffer.alloc(11), 0, 11, null)
  } catch {
    return 0
  }
}
