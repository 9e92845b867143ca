/** Field cases of disks and cards, through the built program: full, read-only, missing, slow, worn; and settings that change. */
import { execFileSync, spawnSync } from 'node:child_process'
import {
  existsSync,
  mkdirSync,
  mkdtempSync,
  readdirSync,
  readFileSync,
  renameSync,
  rmSync,
  writeFileSync,
} from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { connect } from 'mqtt'
import { afterEach, describe, expect, it, onTestFinished } from 'vitest'
import { openFolder } from '../../agent/hardware/disk.js'
import { stateFileOn } from '../../agent/hardware/state-file.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { openStore, verifyFolder } from '../../agent/store/store.js'
import { readPack } from '../../agent/uplink/uplink.js'
import { record, set, storeId, value } from '../store/support.js'
import { FarEnd } from '../support/far-end.js'
import { FieldRig, frame, program } from '../support/field-rig.js'
import { describeWith } from '../support/real-parts.js'
import { newClock, startRig, ToldSensor } from '../support/station-rig.js'
import { waitFor } from '../support/wait.js'
import { root } from '../support/without-rights.js'

const ran = (command: string, ...args: string[]): boolean => spawnSync(command, args).status === 0

/** A file system of 4 MiB in memory under the data folder of a rig; false where nobody may mount. */
function mountData(data: string): boolean {
  mkdirSync(data, { recursive: true })
  return ran('mount', '-t', 'tmpfs', '-o', 'size=4m', 'tmpfs', data)
}

describeWith(['socat', 'mosquitto'], 'a station on a disk of its own [rig]', () => {
  let rig: FieldRig
  afterEach(async (context) => {
    if (rig.running) await rig.stop('SIGKILL')
    ran('umount', '-l', rig.data)
    await rig.end(context.task.result?.state === 'fail')
  })

  /** Numbers of the lines that somebody else hears at the broker. */
  async function listener(): Promise<Map<number, string>> {
    const heard = new Map<number, string>()
    let first: string | undefined
    const client = connect(`mqtt://127.0.0.1:${rig.broker!.port}`, { protocolVersion: 5 })
    onTestFinished(() => void client.end(true))
    client.on('message', (_, payload) => {
      const pack = readPack(payload)
      // Of the first store that is heard; another one gives the same numbers to its own lines.
      if (!pack.ok || (first ??= pack.value.storeId) !== pack.value.storeId) return
      for (const { seq, text } of pack.value.lines) {
        // A number that comes again is the same line.
        expect(heard.get(seq) ?? text).toBe(text)
        heard.set(seq, text)
      }
    })
    await client.subscribeAsync('motepost/1/+/+/lines', { qos: 1 })
    return heard
  }

  const rows = (): string[] =>
    readdirSync(rig.data)
      .filter((name) => name.startsWith('lines-'))
      .sort()
      .flatMap((name) => readFileSync(join(rig.data, name), 'utf8').split('\n'))

  /** Every record of the disk that was heard is the same there, and no row is damaged. */
  async function expectWhole(heard: ReadonlyMap<number, string>): Promise<void> {
    const disk = value(await openFolder(rig.data, { create: false }))
    const found = value(await verifyFolder(disk))
    expect(found.findings.filter(({ kind }) => kind !== 'explained')).toEqual([])
    const texts = new Map(rows().map((row) => [Number(row.split(',')[1]), row.slice(0, -10)]))
    for (const [seq, text] of heard) expect(texts.get(seq) ?? text).toBe(text)
  }

  const newestHeard = (heard: ReadonlyMap<number, string>): number => Math.max(0, ...heard.keys())

  it('PC-30 a full disk is told, costs no line, takes them when there is room, and drops the oldest that were published', async ({
    skip,
  }) => {
    rig = await FieldRig.make({ broker: true })
    if (!mountData(rig.data)) skip('needs the right to mount a small file system')
    const disk = value(await openFolder(rig.data, { create: true }))
    const store = value(await openStore({ disk, newStoreId: () => storeId, station: 'north-fence' }))
    for (let hour = 0; hour < 5; hour++) {
      for (let i = 0; i < 1000; i++) store.append(record, set)
      value(await store.seal())
    }
    const heard = await listener()
    rig.feedFrames()
    rig.start()
    await waitFor('all of it at the broker', () => heard.size > 5000, 60)
    await rig.untilMeasured('on a disk with room', 5010, 3)
    // Somebody else fills the disk: what was published goes, oldest first, and when nothing more may go it is told.
    const ballast = (n: number): string => join(rig.data, `ballast-${n}`)
    let balls = 0
    const fill = (): void => {
      try {
        for (;;) writeFileSync(ballast(balls++), Buffer.alloc(16_384))
      } catch {
        // Full.
      }
    }
    const missing = (): boolean => !existsSync(join(rig.data, 'lines-000000000001.csv'))
    await waitFor('the full disk in health', () => (fill(), missing() && rig.hasFault('disk-full')), 60)
    const before = newestHeard(heard)
    await waitFor('lines that no disk took', () => newestHeard(heard) > before + 10, 60)
    expect(rig.newestSeq).toBeLessThan(newestHeard(heard))
    expect(rig.running).toBe(true)
    for (let n = 0; n < balls; n++) rmSync(ballast(n), { force: true })
    await rig.untilHealth('over', () => !rig.hasFault('disk-full'), 60)
    await rig.untilMeasured('on the disk again', newestHeard(heard), 3, 60)
    expect(await rig.stop()).toBe(0)
    await expectWhole(heard)
    // From the first record of the station on, none is missing.
    const own = rig.records.map(({ seq }) => seq).filter((seq) => seq > 5100)
    const lines = new Set(heard.keys())
    for (const seq of own.filter((one) => one < newestHeard(heard))) expect(lines.has(seq)).toBe(true)
    expect(rows().some((row) => row.startsWith('gone,'))).toBe(true)
  }, 240_000)

  it('PC-32 a disk that turns read-only is told and sent past, and below a missing mount nothing is made', async ({
    skip,
  }) => {
    rig = await FieldRig.make({ broker: true })
    if (!mountData(rig.data)) skip('needs the right to mount a small file system')
    const text = readFileSync(rig.settingsFile, 'utf8')
    writeFileSync(rig.settingsFile, text.replace('data: {', 'data: { must_be_mounted: true,'))
    const heard = await listener()
    rig.feedFrames()
    rig.start()
    await rig.untilMeasured('on the disk', 0, 3, 60)
    await waitFor('remount', () => ran('mount', '-o', 'remount,ro', rig.data))
    await rig.untilHealth('read-only', () => rig.hasFault('disk-read-only'), 60)
    const safe = rig.newestSeq
    await waitFor('lines that no disk took', () => newestHeard(heard) > safe + 10, 60)
    expect(rig.newestSeq).toBe(safe)
    ran('mount', '-o', 'remount,rw', rig.data)
    await rig.untilHealth('over', () => !rig.hasFault('disk-read-only'), 60)
    await rig.untilMeasured('on the disk again', newestHeard(heard), 3, 60)
    expect(await rig.stop()).toBe(0)
    await expectWhole(heard)
    const measured = rig.records.map(({ seconds }) => seconds)
    const boots = rows()
      .filter((row) => row.startsWith('record,'))
      .map((row) => Number(row.split(',')[4]))
    // No second of the time between is missing.
    expect(boots.at(-1)! - boots[0]).toBeLessThan(measured.reduce((sum, one) => sum + one, 0) + 1)
    const diskStore = (JSON.parse(readFileSync(join(rig.data, 'store.json'), 'utf8')) as { storeId: string })
      .storeId
    expect(ran('umount', rig.data)).toBe(true)
    const others = new Map<string, number>()
    const client = connect(`mqtt://127.0.0.1:${rig.broker!.port}`, { protocolVersion: 5 })
    onTestFinished(() => void client.end(true))
    client.on('message', (_, payload) => {
      const pack = readPack(payload)
      if (!pack.ok) return
      const { storeId, lines } = pack.value
      others.set(storeId, (others.get(storeId) ?? 0) + lines.length)
    })
    await client.subscribeAsync('motepost/1/+/+/lines', { qos: 1 })
    rig.log = ''
    rig.start()
    await rig.untilHealth('not mounted', () => rig.hasFault('disk-not-mounted'), 60)
    await waitFor('lines from memory', () => Math.max(0, ...others.values()) > 5, 60)
    expect(rig.running).toBe(true)
    // Another store: no number of the disk is given to another line.
    expect([...others.keys()]).not.toContain(diskStore)
    expect(readdirSync(rig.data)).toEqual([])
    const check = spawnSync(process.execPath, [program, 'check', '-s', rig.settingsFile], {
      encoding: 'utf8',
    })
    expect(check.status).toBe(1)
    expect(check.stdout).toMatch(/data +LOOK: .*not mounted/)
    expect(readdirSync(rig.data)).toEqual([])
    expect(mountData(rig.data)).toBe(true)
    await rig.untilHealth('on a disk', () => !rig.hasFault('disk-not-mounted'), 60)
    await rig.untilMeasured('on the disk that came', 0, 2, 60)
    // What was in memory stands on the disk as well.
    const [fromMemory] = readdirSync(join(rig.data, 'earlier'))
    const kept = readFileSync(join(rig.data, 'earlier', fromMemory, 'lines-000000000001.csv'), 'utf8')
    expect(others.has(fromMemory)).toBe(true)
    expect(kept.split('\n').filter((row) => row.startsWith('record,')).length).toBeGreaterThan(5)
    expect(await rig.stop()).toBe(0)
  }, 240_000)
})

describeWith(['socat', 'mosquitto'], 'a station on a card [rig]', () => {
  let rig: FieldRig
  afterEach((context) => rig.end(context.task.result?.state === 'fail'))

  it('PC-28 settings cut in half start those that last worked, with an alert, and the service never gives up', async () => {
    const unit = readFileSync(join(root, 'systemd/motepost.service'), 'utf8')
    expect(unit).toMatch(/^Restart=always$/m)
    expect(Number(/^RestartSec=(\d+)$/m.exec(unit)?.[1])).toBeGreaterThanOrEqual(10)
    expect(unit).toMatch(/^StartLimitIntervalSec=0$/m)
    rig = await FieldRig.make({ broker: true })
    rig.feedFrames()
    rig.start()
    await rig.untilMeasured('on good settings', 0, 1, 60)
    expect(await rig.stop()).toBe(0)
    const well = readFileSync(rig.settingsFile, 'utf8')
    writeFileSync(rig.settingsFile, well.slice(0, well.length / 2))
    rig.start()
    await rig.untilMeasured('in safe mode', rig.newestSeq, 1, 60)
    await rig.untilHealth('the settings', () => rig.hasFault('settings-invalid'), 60)
    writeFileSync(rig.settingsFile, well)
    await rig.untilHealth('mended', () => !rig.hasFault('settings-invalid'), 90)
    // As good as broken: they check well, and name a folder that holds something else.
    const foreign = join(rig.folder, 'foreign')
    mkdirSync(foreign)
    writeFileSync(join(foreign, 'letter.txt'), 'dear')
    writeFileSync(rig.settingsFile, well.replace(rig.data, foreign))
    await rig.untilHealth('a foreign folder', () => rig.hasFault('settings-invalid'), 90)
    await rig.untilMeasured('on the settings that last worked', rig.newestSeq, 1, 60)
    expect(readdirSync(foreign)).toEqual(['letter.txt'])
  }, 400_000)

  it('PC-34 a card that takes three seconds for each sync costs no byte of the sensor', async () => {
    rig = await FieldRig.make({ broker: true, instrument: 'read_every_s: 1' })
    const pipe = join(rig.folder, 'pipe')
    execFileSync('mkfifo', [pipe])
    const preload = join(root, 'test/support/slow-sync.mjs')
    rig.start({ NODE_OPTIONS: `--import ${preload}`, SLOW_SYNC_PIPE: pipe })
    await rig.untilHealth('it runs', ({ instruments }) => instruments[0].open, 90)
    let fed = 0
    // 9,600 baud: 960 bytes a second, 30 frames.
    for (let second = 0; second < 20; second++) {
      for (let i = 0; i < 3; i++) {
        fed += rig.pty.feed(Buffer.concat(Array.from({ length: 10 }, (_, n) => frame(10 + n))))
        await new Promise((resolve) => setTimeout(resolve, 330))
      }
    }
    const decoder = (): { taken: number; refused: Record<string, number> } =>
      rig.health!.instruments[0].decoder
    expect(await rig.stop()).toBe(0)
    expect(fed).toBe(20 * 30 * 32)
    expect(rig.raised('sensor-garbage') + rig.raised('port-gone')).toBe(0)
    expect(Object.values(decoder().refused).reduce((sum, n) => sum + n, 0)).toBe(0)
    // Twenty seconds of readings are in the records, second by second.
    expect(rig.measured().reduce((sum, { used }) => sum + used, 0)).toBeGreaterThan(17)
  }, 240_000)

  it('PC-35 a station without sensor, broker and good settings writes little to its log', async () => {
    rig = await FieldRig.make({ broker: true })
    await rig.pty.unplug()
    await rig.broker!.stop()
    rig.start()
    await rig.untilLog('broker', 60)
    const began = Date.now()
    await waitFor('half a minute of it', () => Date.now() - began > 30_000, 60)
    const bytesADay = (rig.log.length * 86_400) / ((Date.now() - began) / 1000)
    console.info(`log: ${rig.log.length} bytes in half a minute, at most 1 MB a day by its budget`)
    expect(rig.log.split('\n').length).toBeLessThan(25)
    expect(bytesADay).toBeLessThan(20e6)
    await rig.pty.replug()
  }, 240_000)

  it('PC-37 settings replaced by rename twice are taken up, and a file that is slowly rewritten not before it is whole', async () => {
    rig = await FieldRig.make()
    rig.feedFrames()
    rig.start()
    await rig.untilMeasured('on the first settings', 0, 1, 60)
    const text = readFileSync(rig.settingsFile, 'utf8')
    const withSeconds = (s: number): string => text.replace('record_s: 1', `record_s: ${s}`)
    const longest = (): number => rig.records.at(-1)!.seconds
    for (const s of [2, 3]) {
      writeFileSync(`${rig.settingsFile}.new`, withSeconds(s))
      renameSync(`${rig.settingsFile}.new`, rig.settingsFile)
      await waitFor(`records of ${s} s`, () => Math.abs(longest() - s) < 0.2, 90)
    }
    const changes = (): number => rig.log.split('settings changed').length - 1
    const before = changes()
    expect(before).toBe(2)
    // A prefix of the file would be well by itself at some lines; none of them is taken.
    const lines = withSeconds(4).trimEnd().split('\n')
    for (let n = 0; n <= lines.length; n++) {
      writeFileSync(rig.settingsFile, lines.slice(0, n).join('\n') + '\n')
      await new Promise((resolve) => setTimeout(resolve, 1500))
    }
    await waitFor('records of 4 s', () => Math.abs(longest() - 4) < 0.2, 90)
    expect(changes()).toBe(before + 1)
    // Wrong ones are told and change nothing; at once, where somebody asks.
    writeFileSync(rig.settingsFile, withSeconds(5).replace('record_s', 'recrd_s'))
    rig.agent!.kill('SIGHUP')
    await rig.untilLog('recrd_s', 60)
    // A line of the log may come in pieces.
    await waitFor('the fault', () => rig.raised('settings-invalid') > 0, 10)
    expect(rig.raised('settings-invalid')).toBe(1)
    await rig.untilMeasured('all the while', rig.newestSeq, 1, 60)
    expect(await rig.stop()).toBe(0)
  }, 400_000)
})

describeWith(['strace'], 'saving the state [rig]', () => {
  it('PC-27 a hundred saves each sync the file before it is renamed, and the folder after', () => {
    const folder = mkdtempSync(join(tmpdir(), 'motepost-saves-'))
    onTestFinished(() => rmSync(folder, { recursive: true }))
    const built = join(root, 'dist/agent/hardware/state-file.js')
    const saves = `const { stateFile } = await import(${JSON.stringify(built)})
      const state = stateFile(${JSON.stringify(join(folder, 'state.json'))})
      for (let n = 0; n < 100; n++) if (!(await state.save({ n })).ok) process.exit(1)`
    const trace = join(folder, 'trace')
    const calls = 'trace=fdatasync,fsync,rename,renameat,renameat2'
    const node = [process.execPath, '--input-type=module', '-e', saves]
    execFileSync('strace', ['-f', '-y', '-e', calls, '-o', trace, ...node])
    const seen = readFileSync(trace, 'utf8')
      .split('\n')
      .filter((line) => line.includes(folder) && !line.includes('resumed'))
      .map((line) =>
        line.includes('rename')
          ? line.includes('state.json.tmp"')
            ? 'R'
            : 'P'
          : /fdatasync\(\d+<[^>]*state\.json\.tmp>/.test(line)
            ? 'S'
            : /fsync\(/.test(line)
              ? 'F'
              : '?',
      )
      .join('')
    expect(seen).toBe('SRF' + 'SPRF'.repeat(99))
  }, 120_000)
})

describe('the wear of a card [virtual]', () => {
  it('PC-36 thirty days with an outage each day keep the state below 64 kB, and a day writes little', async () => {
    const disk = new MemoryDisk()
    let written = 0
    const append = disk.append.bind(disk)
    disk.append = (path, bytes) => {
      written += 4096 * Math.ceil(bytes.length / 4096)
      return append(path, bytes)
    }
    const clock = newClock()
    const far = new FarEnd()
    const sensor = new ToldSensor(clock, { pm2_5: () => 20, frameAt: (n) => n * 60 })
    const rig = await startRig(clock, disk, {
      instruments: [{ sensor }],
      options: { readEverySeconds: 60, flushEverySeconds: 300 },
      state: stateFileOn(disk, 'state.json'),
      ports: (store) => ({
        freeBytes: () => disk.freeBytes(),
        makeUplink: far.uplinkOf(store, clock.bootId),
      }),
    })
    let largest = 0
    for (let hour = 1; hour <= 30 * 24; hour++) {
      const isOut = hour % 24 < 3
      far.broker.trouble.refuseConnect = isOut ? { code: 'broker-unreachable', detail: 'made' } : undefined
      if (isOut) far.broker.cut('rig')
      await rig.live(hour * 3600)
      await far.step(clock.mono())
      largest = Math.max(largest, disk.text('state.json').length)
    }
    const perHour = written / (30 * 24)
    console.info(`state ${largest} bytes at most; ${(perHour / 1000).toFixed(0)} kB in whole pages an hour`)
    expect(largest).toBeGreaterThan(100)
    expect(largest).toBeLessThan(64 * 1024)
    expect(perHour).toBeLessThan(5e6)
  }, 120_000)
})
