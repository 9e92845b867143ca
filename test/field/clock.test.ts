/**
 * Field cases of the clock. Virtual: days and weeks on the parts of the program. Rig: the built `motepost run` under faketime,
 * whose wall clock is set while it runs; monotonic time stays real. Records on the rig are one second long.
 */
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterEach, describe, expect, it } from 'vitest'
import { askControl } from '../../agent/hardware/control-socket.js'
import { exportData } from '../../agent/cli/export.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import type { StationStatus } from '../../agent/station/station.js'
import { good } from '../../agent/terms/terms.js'
import { ran } from '../cli/desk-rig.js'
import { testKey } from '../store/test-key.js'
import { FieldRig, type RigOptions } from '../support/field-rig.js'
import { hasOpenssl, selfSigned, startMosquitto, type Mosquitto } from '../support/mosquitto.js'
import { startPtyPair, type PtyPair } from '../support/pty.js'
import { describeWith } from '../support/real-parts.js'
import { newClock, startRig, ToldSensor } from '../support/station-rig.js'
import { storedEvents } from '../support/stored-records.js'
import { waitFor } from '../support/wait.js'
import { WallClock } from '../support/wall-clock.js'

const minute = 60_000
const day = 86_400
const weeks1024 = 7168 * day

describe('clocks over days and weeks [virtual]', () => {
  it('PC-19 without a time source for two days every record is flagged, one fault stands, and sampling goes on', async () => {
    const clock = newClock()
    clock.source = undefined
    const sensor = new ToldSensor(clock, { frameAt: (n) => n * 5, pm2_5: () => 20 })
    const options = { readEverySeconds: 8 }
    const patient = { silentAfterSeconds: 60 }
    const rig = await startRig(clock, new MemoryDisk(), {
      instruments: [{ sensor, options: patient }],
      options,
    })
    await rig.live(2 * day)
    const records = await rig.records()
    expect(records).toHaveLength(2880)
    expect(records.filter(({ utc }) => utc !== undefined)).toEqual([])
    expect(rig.codes()).toEqual(['clock-untrusted'])
    expect(rig.told.filter((words) => words.includes('the clock is not trusted'))).toHaveLength(1)
  })

  it('tells once, after a day, that nobody has confirmed the time since, and how far it may be off', async () => {
    const clock = newClock()
    const sensor = new ToldSensor(clock, { frameAt: (n) => n * 5, pm2_5: () => 20 })
    const options = { readEverySeconds: 8 }
    const patient = { silentAfterSeconds: 60 }
    const rig = await startRig(clock, new MemoryDisk(), {
      instruments: [{ sensor, options: patient }],
      options,
    })
    await rig.live(120)
    clock.source = undefined
    await rig.live(day)
    expect(rig.codes()).toEqual([])
    await rig.live(2 * day)
    expect(rig.codes()).toEqual(['clock-unchecked'])
    expect(rig.health()).toMatchObject({ clock_source: 'ntp', clock_error_s: 17.8 })
    expect(rig.told.filter((words) => words.includes('no source has told'))).toHaveLength(1)
    clock.source = 'ntp'
    await rig.live(2 * day + 120)
    expect(rig.codes()).toEqual([])
  })

  it('PC-23 the jobs of a day and of its hours run once each on the day that loses an hour, and on the one that gains it', async () => {
    // Europe/Berlin changes on 29 March and 25 October 2026, at 01:00 UTC (IANA time zone database 2025b).
    for (const start of [Date.UTC(2026, 2, 28, 22, 30), Date.UTC(2026, 9, 24, 22, 30)]) {
      const clock = newClock(undefined, start)
      const sensor = new ToldSensor(clock, { frameAt: (n) => n * 20, pm2_5: () => 20 })
      const options = { readEverySeconds: 60, standardOffsetMinutes: 60 }
      const ports = () => ({ signingKey: () => Promise.resolve(good(testKey())) })
      const rig = await startRig(clock, new MemoryDisk(), { instruments: [{ sensor }], options, ports })
      await rig.live(25 * 3600)
      const seals = (await rig.lines()).flatMap((line) =>
        line.kind === 'other' && line.text.startsWith('seal,') ? [line.text] : [],
      )
      // One an hour, each of sixty records, a time check and the seal before; signed at the ends of two days, 23:00 UTC.
      expect(seals).toHaveLength(25)
      expect(new Set(seals.slice(1).map((text) => text.split(',')[4]))).toEqual(new Set(['62']))
      const signed = seals.flatMap((text, i) => (/,p[0-9a-f]{64},/.test(text) ? [i] : []))
      expect(signed).toEqual([0, 24])
    }
  })

  it('PC-24 steps of 90 s forward and back inside a window leave true counts, no gap and no negative length', async () => {
    const clock = newClock()
    const sensor = new ToldSensor(clock, { pm2_5: (at) => (at < 900 ? 20 : 40) })
    const rig = await startRig(clock, new MemoryDisk(), { instruments: [{ sensor }] })
    await rig.live(980)
    clock.stepUtc(90)
    await rig.live(1090)
    clock.stepUtc(-90)
    await rig.live(1500)
    const { mean, ...window } = (rig.station.averagesOf('pm2_5') as Record<string, Record<string, number>>)[
      '10-min'
    ]
    expect(mean).toBeCloseTo(40, 0)
    expect(window.data_capture_percent).toBeGreaterThan(99)
    expect(window.data_capture_percent).toBeLessThanOrEqual(100)
    const records = await rig.records()
    for (const [i, { mono, seconds }] of records.entries()) {
      expect(seconds).toBeGreaterThan(0)
      if (i > 0) expect(mono).toBeCloseTo(records[i - 1].mono + records[i - 1].seconds, 1)
    }
    expect(rig.codes()).toEqual([])
  })

  it('a board that slept for hours has one gap, told once, and goes on at the next full minute', async () => {
    const clock = newClock()
    const sensor = new ToldSensor(clock, { pm2_5: () => 20 })
    const rig = await startRig(clock, new MemoryDisk(), { instruments: [{ sensor }] })
    await rig.live(300)
    // Boot time includes sleep: both clocks are seven hours on when the next tick comes.
    const { set } = clock
    set.call(clock, (300 + 7 * 3600 + 17) as Parameters<typeof set>[0])
    await rig.live(300 + 7 * 3600 + 300)
    const lines = await rig.lines()
    const paused = lines.filter((line) => line.kind === 'event' && line.name === 'paused')
    expect(paused).toHaveLength(1)
    const records = await rig.records()
    const gaps = records.slice(1).filter(({ mono }, i) => mono - records[i].mono - records[i].seconds > 1)
    expect(gaps).toHaveLength(1)
    expect(records.at(-1)!.utc! % 60_000).toBe(0)
    expect(records.every(({ seconds }) => seconds <= 60)).toBe(true)
  })
})

let rig: FieldRig
const make = async (options: RigOptions = {}): Promise<FieldRig> => (rig = await FieldRig.make(options))

/** The rig's settings with a clock block of the test's own, and its uplink where it has none. */
function settings(clock: string, uplink = '{ mode: none }'): void {
  writeFileSync(
    rig.settingsFile,
    `version: 1
station: { name: north-fence, time_zone: UTC }
instruments:
  - { layout: frames-424d-32, port: '${rig.pty.sensor}', warm_up_s: 0 }
data: { folder: ${rig.data}, record_s: 1, flush_every_s: 1 }
clock: ${clock}
uplink: ${uplink}
`,
  )
}

async function ask(request: unknown): Promise<Record<string, unknown>> {
  const asked = await askControl(join(rig.data, '.control.sock'), request)
  return asked.ok ? (asked.value as Record<string, unknown>) : { ok: false, fault: asked.fault }
}

const status = async (): Promise<StationStatus | undefined> =>
  (await ask({ do: 'status' })).status as StationStatus | undefined

async function untilStatus(what: string, holds: (status: StationStatus) => boolean): Promise<void> {
  await waitFor(
    what,
    async () => {
      const told = await status()
      return told !== undefined && holds(told)
    },
    60,
  )
}

const hasCode = (code: string) => (told: StationStatus) => told.faults.some((fault) => fault.code === code)
const offSeconds = (told: StationStatus): number => Math.abs(Date.parse(told.at ?? '') - Date.now()) / 1000

const exported = async (): Promise<string[]> => {
  const { out } = await ran(() => exportData({ store: rig.data, zone: 'UTC', of: 'minutes' }))
  return out.trim().split('\r\n').slice(1)
}

describeWith(['socat', 'faketime'], 'a wall clock that is wrong [rig]', () => {
  let wall: WallClock
  const start = (): void => rig.start(wall.env)
  afterEach((context) => rig.end(context.task.result?.state === 'fail'))

  it(
    'PC-16 a clock that starts 200 days back and is set right leaves health answering, memory level, and no job caught up but once',
    async () => {
      await make()
      wall = new WallClock(rig.folder)
      const ntpFile = join(rig.folder, 'network-set-it')
      settings(`{ trust: ntp-file, ntp_file: ${ntpFile} }`)
      wall.set(-200 * day)
      rig.feedFrames()
      start()
      await rig.untilMeasured('before the step', 0, 3, 60)
      await untilStatus('untrusted', hasCode('clock-untrusted'))
      for (let asked = 0; asked < 50; asked++) await status()
      const before = rig.residentKilobytes()
      let longestSeconds = 0
      const asking = setInterval(() => {
        const asked = performance.now()
        void status().then(
          () => (longestSeconds = Math.max(longestSeconds, (performance.now() - asked) / 1000)),
        )
      }, 100)
      wall.set(0)
      writeFileSync(ntpFile, '')
      await untilStatus('trusted', (told) => offSeconds(told) < 5)
      await rig.untilMeasured('after the step', rig.newestSeq, 5, 60)
      clearInterval(asking)
      console.info(`the slowest answer during a step of 200 days: ${longestSeconds.toFixed(2)} s`)
      expect(longestSeconds).toBeLessThan(1)
      expect(rig.residentKilobytes() - before).toBeLessThan(20_000)
      expect(rig.log.match(/clock trusted/g)).toHaveLength(1)
      // Everything recorded before is in its true time now.
      await rig.stop()
      const rows = await exported()
      expect(rows.some((row) => row.includes('time check'))).toBe(true)
      for (const row of rows)
        expect(Math.abs(Date.parse(row.split(',')[2]) - Date.now())).toBeLessThan(10 * minute)
    },
    3 * minute,
  )

  it(
    'PC-18 a start with a clock before the last record is flagged until the time is known, and nothing is lost or moved',
    async () => {
      await make()
      wall = new WallClock(rig.folder)
      rig.feedFrames()
      start()
      await rig.untilMeasured('in the first run', 0, 3, 60)
      await rig.stop()
      const first = rig.newestSeq
      wall.set(-600)
      start()
      await rig.untilMeasured('in the second run', first, 3, 60)
      await untilStatus('told', (told) => hasCode('clock-untrusted')(told) && hasCode('clock-refused')(told))
      wall.set(0)
      await untilStatus('trusted', (told) => offSeconds(told) < 5)
      await rig.untilMeasured('after the sync', rig.newestSeq, 2, 60)
      await rig.stop()
      const rows = (await exported()).map((row) => row.split(','))
      const corrected = rows.filter((row) => row[3] === 'time check')
      expect(corrected.length).toBeGreaterThan(2)
      const times = rows.map((row) => Date.parse(row[2]))
      expect(times.every((time, i) => i === 0 || time >= times[i - 1] - 1000)).toBe(true)
      expect(new Set(rows.map((row) => row[0])).size).toBe(rows.length)
    },
    3 * minute,
  )

  it(
    'steps of the wall clock while it runs, an hour back, a day on, 50 years back, move no record from its true time',
    async () => {
      await make()
      wall = new WallClock(rig.folder)
      rig.feedFrames()
      start()
      await rig.untilMeasured('at first', 0, 2, 60)
      for (const off of [-3600, day, -50 * 365 * day]) {
        const from = rig.newestSeq
        wall.set(off)
        await rig.untilMeasured(`after ${off} s`, from, 2, 60)
      }
      wall.set(0)
      await untilStatus('right again', (told) => offSeconds(told) < 5 && told.faults.length === 0)
      await rig.stop()
      const rows = (await exported()).map((row) => row.split(','))
      for (const row of rows) expect(Math.abs(Date.parse(row[2]) - Date.now())).toBeLessThan(5 * minute)
      expect(storedEvents(rig.data).map(({ name }) => name)).toContain('anchors-withdrawn')
    },
    3 * minute,
  )

  it(
    'a person tells a station without any source the time, and cannot tell it nonsense',
    async () => {
      await make()
      wall = new WallClock(rig.folder)
      settings('{ trust: none }')
      wall.set(-3 * 365 * day)
      rig.feedFrames()
      start()
      await rig.untilMeasured('untrusted', 0, 2, 60)
      const tell = (utc: string, confirm = false) => ask({ do: 'set-clock', utc, error_s: 10, confirm })
      expect(await tell('2007-04-06T00:00:00Z', true)).toMatchObject({ ok: false })
      expect(await tell('yesterday')).toMatchObject({ ok: false })
      expect(await tell(new Date().toISOString())).toMatchObject({ ok: true, used: true })
      await untilStatus('trusted', (told) => offSeconds(told) < 12 && told.clock_source === 'person')
      await rig.stop('SIGKILL')
      // What a person said of this boot still holds after a restart of the agent.
      const seq = rig.newestSeq
      start()
      await rig.untilMeasured('after the restart', seq, 1, 60)
      await untilStatus('trusted still', (told) => offSeconds(told) < 12 && told.clock_source === 'person')
    },
    3 * minute,
  )
})

describeWith(['socat'], 'lines that tell the time [rig]', () => {
  let modem: PtyPair
  let answering: NodeJS.Timeout
  afterEach(async (context) => {
    clearInterval(answering)
    await modem.end()
    await rig.end(context.task.result?.state === 'fail')
  })

  const two = (n: number): string => String(n).padStart(2, '0')

  /** Answers AT+CCLK? with the true time so far off, at two hours ahead of UTC. */
  function modemClock(off: () => number): void {
    answering = setInterval(() => {
      if (!modem.heard().includes('AT+CCLK?')) return
      const at = new Date(Date.now() + (off() + 7200) * 1000)
      const date = [at.getUTCFullYear() % 100, at.getUTCMonth() + 1, at.getUTCDate()].map(two).join('/')
      const time = [at.getUTCHours(), at.getUTCMinutes(), at.getUTCSeconds()].map(two).join(':')
      modem.feed(Buffer.from(`\r\n+CCLK: "${date},${time}+08"\r\n\r\nOK\r\n`))
    }, 50)
  }

  it(
    'PC-21 a modem that is 1,024 weeks back is refused and told, and moves nothing; set right it gives the time',
    async () => {
      await make()
      modem = await startPtyPair()
      settings(`{ trust: none, modem: { port: '${modem.sensor}', every_min: 1 } }`)
      let off = -weeks1024
      modemClock(() => off)
      rig.feedFrames()
      rig.start()
      await untilStatus('told', (told) => hasCode('clock-refused')(told) && told.at === undefined)
      await rig.untilMeasured('all the same', 0, 3, 60)
      off = 0
      await untilModem()
    },
    4 * minute,
  )

  const untilModem = (): Promise<void> =>
    waitFor(
      'the time by the modem',
      async () => {
        const told = await status()
        return told?.clock_source === 'modem' && offSeconds(told) < 62
      },
      150,
    )

  it(
    'a satellite receiver gives the time within two seconds',
    async () => {
      await make()
      modem = await startPtyPair()
      settings(`{ trust: none, satellite: { port: '${modem.sensor}' } }`)
      let sent = 0
      answering = setInterval(() => {
        const second = Math.floor(Date.now() / 1000)
        if (second === sent) return
        sent = second
        const at = new Date(second * 1000)
        const time = [at.getUTCHours(), at.getUTCMinutes(), at.getUTCSeconds()].map(two).join('')
        const date = [at.getUTCDate(), at.getUTCMonth() + 1, at.getUTCFullYear() % 100].map(two).join('')
        const body = `GPRMC,${time}.00,A,,,,,,,${date},,,A`
        const sum = [...body].reduce((x, c) => x ^ c.charCodeAt(0), 0)
        modem.feed(Buffer.from(`$${body}*${sum.toString(16).toUpperCase().padStart(2, '0')}\r\n`))
      }, 20)
      rig.feedFrames()
      rig.start()
      await untilStatus('the time by the receiver', (told) => told.clock_source === 'satellite')
      expect(offSeconds((await status())!)).toBeLessThan(3)
    },
    2 * minute,
  )
})

describeWith(
  ['socat', 'faketime', 'mosquitto', ...(hasOpenssl ? [] : ['openssl'])],
  'a certificate and the clock [rig]',
  () => {
    let broker: Mosquitto
    let folder: string
    afterEach(async (context) => {
      await broker.remove()
      await rig.end(context.task.result?.state === 'fail')
      rmSync(folder, { recursive: true, force: true })
    })

    it(
      'PC-20 a certificate that is not valid yet is told as a suspect clock, tried again, and accepted once the clock is right',
      async () => {
        await make()
        const wall = new WallClock(rig.folder)
        folder = mkdtempSync(join(tmpdir(), 'motepost-tls-'))
        const text = (seconds: number): string =>
          new Date(Date.now() + seconds * 1000).toISOString().replace(/[-:T]|\.\d+/g, '')
        const certificate = selfSigned(folder, 'localhost', { from: text(-day), to: text(30 * day) })
        broker = await startMosquitto({ tls: certificate })
        const uplink = `{ mode: mqtt, url: 'mqtts://localhost:${broker.port}', ca_file: '${certificate.certFile}', receipts: none }`
        const ntpFile = join(rig.folder, 'network-set-it')
        settings(`{ trust: ntp-file, ntp_file: ${ntpFile} }`, uplink)
        wall.set(-2 * day)
        rig.feedFrames()
        rig.start(wall.env)
        await untilStatus('a suspect clock', (told) =>
          told.faults.some(({ code, detail }) => code === 'broker-certificate' && /clock/.test(detail)),
        )
        wall.set(0)
        writeFileSync(ntpFile, '')
        await waitFor(
          'a connection without a restart',
          async () => {
            const told = await status()
            return told?.link.state === 'connected' && !hasCode('broker-certificate')(told)
          },
          150,
        )
        expect(rig.log.match(/"msg":"running"/g)).toHaveLength(1)
      },
      4 * minute,
    )
  },
)

describeWith(['socat', 'mosquitto'], 'a process that is stopped for a while [rig]', () => {
  afterEach((context) => rig.end(context.task.result?.state === 'fail'))

  it(
    'PC-25 gives data again within two periods, with one gap that is told, no burst, and a fresh connection',
    async () => {
      await make({ broker: true })
      rig.feedFrames(250)
      rig.start()
      await rig.untilMeasured('before the pause', 0, 3, 60)
      await rig.untilHealth('connected', () => true, 60)
      const stoppedAt = performance.now()
      rig.agent!.kill('SIGSTOP')
      await rig.broker!.restart()
      await waitFor('twelve seconds to pass', () => performance.now() - stoppedAt > 12_500, 30)
      const before = rig.newestSeq
      rig.agent!.kill('SIGCONT')
      await rig.untilMeasured('after the pause', before, 3, 60)
      const paused = storedEvents(rig.data).filter(({ name }) => name === 'paused')
      expect(paused).toHaveLength(1)
      const rows = await exported()
      const starts = rows.map((row) => Date.parse(row.split(',')[2]))
      const gaps = starts.slice(1).filter((at, i) => at - starts[i] > 8000)
      expect(gaps).toHaveLength(1)
      // No burst: no second has more than one whole record, whatever waited in the line meanwhile.
      expect(rows.every((row) => Number(row.split(',')[4]) <= 12)).toBe(true)
      await waitFor('a fresh connection', async () => (await status())?.link.state === 'connected', 90)
    },
    4 * minute,
  )
})
