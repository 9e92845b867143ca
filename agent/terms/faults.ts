/**
 * The closed list of everything that is expected to go wrong. A fault names itself by code; its words, how grave it is,
 * whether waiting may cure it and the first thing a person should do stand here and nowhere else.
 */

export type Severity = 'trouble' | 'warning' | 'note'

export interface FaultKind {
  readonly severity: Severity
  /** True where trying again later may succeed without anybody acting. */
  readonly transient: boolean
  readonly words: string
  readonly firstThing: string
}

const kinds = {
  'port-missing': {
    severity: 'trouble',
    transient: true,
    words: 'the sensor port does not exist',
    firstThing: 'plug the adapter in, or correct the port in the settings (prefer a /dev/serial/by-id/ name)',
  },
  'port-busy': {
    severity: 'trouble',
    transient: true,
    words: 'another program holds the sensor port',
    firstThing: 'stop the other program (a second agent, a terminal program, a login console on this port)',
  },
  'port-denied': {
    severity: 'trouble',
    transient: true,
    words: 'no permission for the sensor port',
    firstThing: 'add the user to the group that owns the device (usually dialout) and log in again',
  },
  'port-not-serial': {
    severity: 'trouble',
    transient: true,
    words: 'the sensor port is not a serial device',
    firstThing: 'correct the port in the settings: it names a file, a folder or another kind of device',
  },
  'port-gone': {
    severity: 'trouble',
    transient: true,
    words: 'the sensor port went away',
    firstThing: 'check plug, cable and supply of the adapter; the agent reopens the port by itself',
  },
  'port-failed': {
    severity: 'trouble',
    transient: true,
    words: 'the sensor port answered with an error',
    firstThing: 'unplug the adapter for ten seconds; if it stays, try another adapter',
  },
  'sensor-silent': {
    severity: 'trouble',
    transient: true,
    words: 'the port is open but nothing comes from the sensor',
    firstThing: 'check the 5 V supply of the sensor and that its TX goes to the RX of the board',
  },
  'sensor-garbage': {
    severity: 'trouble',
    transient: true,
    words: 'bytes come but no frame is whole',
    firstThing: 'check the baud rate and that no login console runs on this port',
  },
  'line-unreachable': {
    severity: 'trouble',
    transient: true,
    words: 'the sensor cannot be reached over TCP',
    firstThing: 'check address and port in the settings and that the far end listens',
  },
  'control-lines': {
    severity: 'note',
    transient: false,
    words: 'the port has no DTR or RTS line to set',
    firstThing: 'nothing: readings are not affected; remove the setting to silence this',
  },
  'disk-full': {
    severity: 'trouble',
    transient: true,
    words: 'the disk is full',
    firstThing: 'copy the data away and free space; records are held in memory meanwhile',
  },
  'disk-read-only': {
    severity: 'trouble',
    transient: true,
    words: 'the data folder cannot be written (read-only)',
    firstThing: 'check the card: a file system that turns read-only usually means it is failing',
  },
  'disk-denied': {
    severity: 'trouble',
    transient: false,
    words: 'no permission for the data folder',
    firstThing: 'give the data folder to the user the agent runs as',
  },
  'disk-error': {
    severity: 'trouble',
    transient: true,
    words: 'the disk answered with an error',
    firstThing: 'replace the card soon; copy the data away first',
  },
  'disk-missing': {
    severity: 'trouble',
    transient: false,
    words: 'the file or folder does not exist',
    firstThing: 'correct the path in the settings or create the folder',
  },
  'disk-not-folder': {
    severity: 'trouble',
    transient: false,
    words: 'there is a file where a folder was expected',
    firstThing: 'move the file away or name another folder in the settings',
  },
  'store-foreign': {
    severity: 'trouble',
    transient: false,
    words: 'the folder holds something that is not a store of this format',
    firstThing: 'name an empty folder, or one that this program made',
  },
  'store-in-use': {
    severity: 'trouble',
    transient: true,
    words: 'another agent or collector writes to this folder',
    firstThing:
      'stop that one first, or name another folder (data.folder of a station, --archive of a collector); two writers would spoil the numbering',
  },
  'store-damaged': {
    severity: 'warning',
    transient: false,
    words: 'damaged lines were set aside at start',
    firstThing: 'nothing now; if it repeats without power cuts, replace the card',
  },
  'state-damaged': {
    severity: 'warning',
    transient: false,
    words: 'the state file and its previous copy cannot be read',
    firstThing: 'nothing: it is built again from the stored lines; if it repeats, replace the card',
  },
  'settings-missing': {
    severity: 'trouble',
    transient: false,
    words: 'the settings file cannot be read',
    firstThing: 'name the file with --settings, or copy config/minimal.yaml and edit it',
  },
  'named-file-missing': {
    severity: 'trouble',
    transient: false,
    words: 'a file that the settings name cannot be read',
    firstThing:
      'make it (a password, PIN or certificate alone in it, readable by the agent), or correct its path',
  },
  'settings-invalid': {
    severity: 'trouble',
    transient: false,
    words: 'the settings have faults',
    firstThing: 'correct the lines named; `motepost check` lists all of them at once',
  },
  'settings-on-trial': {
    severity: 'note',
    transient: true,
    words: 'settings from afar are on trial; any restart ends it',
    firstThing:
      'if you pushed them, look how the station does and confirm them: stations settings STATION --confirm ID',
  },
  'settings-fell-back': {
    severity: 'warning',
    transient: false,
    words: 'settings from afar were not kept; those before are in force',
    firstThing:
      'see in the detail what ended them; if they are still wanted, push them again: stations settings',
  },
  'layout-invalid': {
    severity: 'trouble',
    transient: false,
    words: 'the layout of an instrument or a gauge cannot be used',
    firstThing: 'name a layout of config/instruments or config/gauges (without .yaml), or correct the file',
  },
  'limits-invalid': {
    severity: 'trouble',
    transient: false,
    words: 'a file of limits or corrections cannot be used',
    firstThing: 'correct the key that is named, or take the file as it came with the program',
  },
  'broker-unreachable': {
    severity: 'warning',
    transient: true,
    words: 'the broker cannot be reached',
    firstThing: 'nothing at first: records wait on disk; after a day check link, address and firewall',
  },
  'broker-refused-login': {
    severity: 'trouble',
    transient: true,
    words: 'the broker refuses user name or password',
    firstThing: 'correct uplink.username and the password file; check the user exists at the broker',
  },
  'broker-refused': {
    severity: 'trouble',
    transient: true,
    words: 'the broker refuses the connection or the message',
    firstThing: 'read the reason shown; check client id and topic rights at the broker',
  },
  'broker-certificate': {
    severity: 'trouble',
    transient: true,
    words: 'the certificate of the broker is not accepted',
    firstThing: 'check the certificate file, the host name and the clock of this station',
  },
  'broker-silent': {
    severity: 'warning',
    transient: true,
    words: 'the broker did not answer in time',
    firstThing: 'nothing at first: it is tried again; a slow link may need uplink.answer_limit_s raised',
  },
  'link-lost': {
    severity: 'note',
    transient: true,
    words: 'the connection to the broker was lost',
    firstThing: 'nothing: it is opened again by itself',
  },
  'receipt-missing': {
    severity: 'warning',
    transient: true,
    words: 'the broker took lines, but the collector has not confirmed them',
    firstThing:
      'check that the collector runs and may write the receipt topic; without a collector set uplink.receipts to none',
  },
  'pack-refused': {
    severity: 'warning',
    transient: false,
    words: 'a pack could not be read',
    firstThing: 'check that station and collector run compatible versions',
  },
  'identity-conflict': {
    severity: 'trouble',
    transient: false,
    words: 'the same store and number arrived with other content',
    firstThing: 'look for a cloned card or a folder copied back; the second version is kept aside',
  },
  'gauge-missing': {
    severity: 'warning',
    transient: true,
    words: 'a gauge cannot be read (battery, sun, climate or supply)',
    firstThing:
      'check the path in the settings and that the driver is loaded; on a line its port, address and layout',
  },
  'gauge-absurd': {
    severity: 'warning',
    transient: true,
    words: 'a gauge gave an impossible value; it was not used',
    firstThing: 'check wiring and unit of the gauge',
  },
  'clock-untrusted': {
    severity: 'warning',
    transient: true,
    words: 'the clock is not trusted; records carry boot time until it is',
    firstThing: 'give the station a network for a minute, or set the time by hand with status --set-clock',
  },
  'clock-refused': {
    severity: 'warning',
    transient: true,
    words: 'a time that was offered cannot be, and is not used',
    firstThing:
      'look at the source that the detail names; a person may confirm the time with status --set-clock --confirm',
  },
  'clock-disputed': {
    severity: 'warning',
    transient: true,
    words: 'two sources of time contradict each other; the better one is used',
    firstThing:
      'look at the source that the detail names; a receiver may be 1,024 weeks off, a modem may not know its zone',
  },
  'clock-unchecked': {
    severity: 'warning',
    transient: true,
    words: 'no source has told the time for a day; the error grows by up to 9 s a day',
    firstThing: 'give the station a network for a minute, or set the time by hand with status --set-clock',
  },
  'clock-source-silent': {
    severity: 'note',
    transient: true,
    words: 'a satellite receiver or modem does not tell the time',
    firstThing: 'check clock.satellite and clock.modem, the aerial and the sky above it; it is tried again',
  },
  'port-unsteady': {
    severity: 'warning',
    transient: true,
    words: 'the sensor port goes away and comes back again and again',
    firstThing: 'check cable and plug, and the supply: an adapter resets where the voltage sags',
  },
  'supply-low': {
    severity: 'warning',
    transient: true,
    words: 'the supply of the board is too low; readings are marked',
    firstThing: 'charge or replace the battery, then check the regulator and the cable to the board',
  },
  'power-cycle-failed': {
    severity: 'warning',
    transient: true,
    words: 'the command that takes power from the sensor and gives it back failed',
    firstThing: 'run the command of power_cycle by hand as the user of the agent and see what it says',
  },
  'pair-disagrees': {
    severity: 'warning',
    transient: true,
    words: 'two sensors of one box disagree',
    firstThing: 'clean both inlets; if it stays, run a zero check and replace the one that fails',
  },
  'sensor-stuck': {
    severity: 'trouble',
    transient: true,
    words: 'the sensor repeats the same masses and counts; its readings do not count',
    firstThing: 'take power from the sensor for ten seconds; if it stays, replace the sensor',
  },
  'sensor-no-particles': {
    severity: 'trouble',
    transient: true,
    words: 'the sensor has counted no particle for minutes: the fan or the inlet; this is not clean air',
    firstThing: 'look whether the fan turns and the inlet is free',
  },
  'sensor-error': {
    severity: 'trouble',
    transient: true,
    words: 'the sensor reports an error of its own; its readings do not count',
    firstThing: 'take power from the sensor for ten seconds; if it stays, replace the sensor',
  },
  'control-unavailable': {
    severity: 'warning',
    transient: false,
    words: 'the socket for status, visit and sitelog could not be made; the station measures on without it',
    firstThing: 'give a short path that the agent may write to as runtime.folder in the settings',
  },
  'control-denied': {
    severity: 'warning',
    transient: false,
    words: 'no permission to ask the running agent',
    firstThing: 'use the user of the agent (sudo -u), or set runtime.group_access and join its group',
  },
  'agent-not-running': {
    severity: 'warning',
    transient: true,
    words: 'no agent runs for these settings',
    firstThing: 'start it with motepost run, or look why the service ended: systemctl status motepost',
  },
  'agent-silent': {
    severity: 'warning',
    transient: true,
    words: 'the agent runs but did not answer',
    firstThing: 'try again; if it stays, look at its log and restart it',
  },
  'broker-down': {
    severity: 'warning',
    transient: true,
    words: 'the machine of the broker answers, but no broker listens there',
    firstThing: 'nothing at first: the link works; look at the broker, and at the port in uplink.url',
  },
  'broker-full': {
    severity: 'warning',
    transient: true,
    words: 'the broker has no room for messages now',
    firstThing: 'nothing at first: it is tried again; if it stays, raise the quota at the broker',
  },
  'broker-denied': {
    severity: 'trouble',
    transient: true,
    words: 'the broker takes no message on this topic',
    firstThing: 'give the user of this station the right to publish on its topics at the broker',
  },
  'lines-parked': {
    severity: 'warning',
    transient: false,
    words: 'the broker does not take some lines; they stay here and the others go on',
    firstThing: 'raise the limit of the broker that the detail names, then run motepost resend',
  },
  'budget-used': {
    severity: 'note',
    transient: true,
    words: 'the byte budget of the day is used up; older records wait',
    firstThing: 'nothing: they go tomorrow; if it stays, raise uplink.daily_budget_kb',
  },
  'client-id-clash': {
    severity: 'trouble',
    transient: true,
    words: 'the broker ends one connection after the other soon after it began',
    firstThing: 'look for a second station with the same client id (a cloned card), or set uplink.client_id',
  },
  'round-trip-failed': {
    severity: 'warning',
    transient: true,
    words: 'the broker acknowledges messages but does not pass them on',
    firstThing: 'check at the broker that this station may publish and read its own topic alive',
  },
  'link-step-failed': {
    severity: 'warning',
    transient: true,
    words: 'a command of uplink.ladder failed',
    firstThing: 'run the command by hand as the user of the agent and see what it says',
  },
  'job-late': {
    severity: 'warning',
    transient: true,
    words: 'a job of the station does not end',
    firstThing: 'look at the disk or device that the detail names; restart the agent if it stays',
  },
  'disk-short': {
    severity: 'warning',
    transient: true,
    words: 'the disk is nearly full and nothing more may be removed to make room',
    firstThing: 'copy the data away and free space; look whether the collector gives receipts',
  },
  'disk-not-mounted': {
    severity: 'trouble',
    transient: true,
    words: 'the data folder must stand on a disk of its own, and that is not mounted',
    firstThing: 'look at plug and mount of that disk; nothing is written below an empty mount point',
  },
  'gauge-stuck': {
    severity: 'warning',
    transient: true,
    words: 'a gauge of battery or panel stands still while the sun moves; it is not used',
    firstThing: 'take power from the gauge for ten seconds; if it stays, replace it',
  },
  'gauge-sign': {
    severity: 'warning',
    transient: true,
    words:
      'charging at night, or giving while it is charged? The battery current has the wrong sign; it is not used',
    firstThing:
      'turn the wires of the shunt round, or set factor: -1 at battery_current (in a layout: a scale below 0)',
  },
  'charge-unknown': {
    severity: 'warning',
    transient: true,
    words: 'no gauge tells how full the battery is: the sampling plan cannot protect it',
    firstThing: 'look at the gauge of battery_voltage: its wire, its path or its register',
  },
  'sampling-reduced': {
    severity: 'note',
    transient: true,
    words: 'the sensor runs less to protect the battery',
    firstThing:
      'nothing: it goes back by itself; more often than in dark weeks, clean the panel or get a larger one',
  },
  'hard-cut': {
    severity: 'warning',
    transient: true,
    words: 'the battery cut the station off; sensor and modem wait until it has recovered',
    firstThing:
      'nothing now; if it repeats, use a poorer plan, or a larger panel or battery (motepost solar)',
  },
  'load-unexplained': {
    severity: 'warning',
    transient: true,
    words: 'the load of a day is not what the consumers named in the settings explain',
    firstThing: 'look for what draws or has stopped; correct power.load if it is known',
  },
  'panel-weak': {
    severity: 'warning',
    transient: true,
    words: 'the panel gives less than it used to under a clear sky',
    firstThing: 'clean or check the panel: dust, snow, a new shadow, a loose plug',
  },
  'charging-cold': {
    severity: 'trouble',
    transient: true,
    words: 'lithium cells are charged below freezing, which ruins them',
    firstThing: 'disconnect the panel until it is warmer, unless the cells are rated for it',
  },
  'sensor-switch-failed': {
    severity: 'warning',
    transient: true,
    words: 'a command that switches sensor or modem failed',
    firstThing: 'run the command by hand as the user of the agent and see what it says',
  },
  'wake-unproven': {
    severity: 'warning',
    transient: true,
    words: 'the board stays on: that it would wake again was not proven, or cannot be',
    firstThing:
      'run motepost check --try-wake beside the station: it ends the board and sees whether it wakes',
  },
  'store-other-board': {
    severity: 'trouble',
    transient: false,
    words: 'the records in the data folder are those of another board',
    firstThing:
      'start the station once (motepost run): it begins records of its own and keeps the earlier ones',
  },
  'board-changed': {
    severity: 'warning',
    transient: false,
    words: 'the card is in another board now: it goes on as a new store with a new key',
    firstThing:
      'if board or card were swapped on purpose, copy the earlier records (motepost copy) and note the new key; if the card is a clone, give one of the two stations another name',
  },
  'spool-refused': {
    severity: 'warning',
    transient: true,
    words: 'packs that arrive are kept in memory only until an archive has them',
    firstThing:
      'look at the disk of the archive folder: room, rights, errors; nothing is lost, but after a kill stations send again what was under way',
  },
  'key-changed': {
    severity: 'warning',
    transient: false,
    words: 'the station signs with another key than before, and the one before does not vouch for it',
    firstThing:
      'note the new fingerprint (motepost keys); if nobody changed the key on purpose, find out who had the card in hand',
  },
  'key-lost': {
    severity: 'warning',
    transient: false,
    words: 'the key that signed until now cannot be had, so it cannot vouch for a new one',
    firstThing:
      'put its file back from a copy; or go on with a new key that nobody vouches for: motepost keys rotate --lost',
  },
  'key-given': {
    severity: 'warning',
    transient: false,
    words: 'the service manager hands the signing key over: only there can it be replaced',
    firstThing:
      'make a new one (openssl genpkey -algorithm ed25519), let the present one vouch for its public half (motepost keys rotate --to FILE), put it in the place of the present one and start the agent anew',
  },
  'key-same': {
    severity: 'note',
    transient: false,
    words: 'this key signs now already: no key hands over to itself',
    firstThing: 'give the public half of the next one: openssl pkey -in NEXT -pubout',
  },
  'store-twins': {
    severity: 'trouble',
    transient: true,
    words: 'two stores of one station grow at the same time',
    firstThing:
      'look for a cloned card or two stations of one name: keep one, give the other a name of its own; the archive keeps the lines of both',
  },
  'mail-unreachable': {
    severity: 'warning',
    transient: true,
    words: 'the mail server cannot be reached',
    firstThing: 'nothing at first: it is tried again; if it stays, check link, delivery.mail.server and port',
  },
  'mail-silent': {
    severity: 'warning',
    transient: true,
    words: 'the mail server did not finish in time',
    firstThing: 'nothing at first: it is tried again; a slow link may need delivery.mail.limit_s raised',
  },
  'mail-certificate': {
    severity: 'trouble',
    transient: true,
    words: 'no safe connection to the mail server came about',
    firstThing: 'check delivery.mail.security, port and ca_file, and the clock of this station',
  },
  'mail-login': {
    severity: 'trouble',
    transient: false,
    words: 'the mail server refuses user name or password',
    firstThing:
      'correct delivery.mail.username and the password file; many providers want a password made for programs',
  },
  'mail-refused': {
    severity: 'trouble',
    transient: false,
    words: 'the mail server refuses the message for good',
    firstThing: 'read its answer; check the address of the recipient and delivery.mail.from',
  },
  'mail-deferred': {
    severity: 'warning',
    transient: true,
    words: 'the mail server does not take the message now',
    firstThing: 'nothing: it is tried again',
  },
  'webhook-unreachable': {
    severity: 'warning',
    transient: true,
    words: 'the webhook cannot be reached',
    firstThing:
      'nothing at first: it is tried again; if it stays, check link and the address of the recipient',
  },
  'webhook-silent': {
    severity: 'warning',
    transient: true,
    words: 'the webhook did not answer in time',
    firstThing: 'nothing at first: it is tried again; a slow link may need delivery.webhook.limit_s raised',
  },
  'webhook-certificate': {
    severity: 'trouble',
    transient: true,
    words: 'no safe connection to the webhook came about',
    firstThing: 'check the certificate there, delivery.webhook.ca_file and the clock of this station',
  },
  'webhook-failed': {
    severity: 'warning',
    transient: true,
    words: 'the webhook answers that it cannot take the message now',
    firstThing: 'nothing at first: it is tried again; if it stays, look at the log of the webhook',
  },
  'webhook-refused': {
    severity: 'trouble',
    transient: false,
    words: 'the webhook refuses the message for good',
    firstThing: 'check the address of the recipient and the secret; a redirect is never followed',
  },
  'sms-port': {
    severity: 'trouble',
    transient: true,
    words: 'the port of the modem for SMS cannot be used',
    firstThing:
      'check plug and supply of the modem and the port in the settings; stop a program that holds it',
  },
  'sms-silent': {
    severity: 'trouble',
    transient: true,
    words: 'the modem for SMS does not answer',
    firstThing:
      'check that the port is the one for AT commands and the baud rate; take its supply away for ten seconds',
  },
  'sms-no-sim': {
    severity: 'trouble',
    transient: false,
    words: 'the modem has no SIM that it can use',
    firstThing: 'switch the modem off, put the SIM in again, and try it in a phone',
  },
  'sms-pin-missing': {
    severity: 'trouble',
    transient: false,
    words: 'the SIM asks for its PIN and the settings have none that could be one',
    firstThing: 'write the PIN into the PIN file of the settings, or take the PIN off the SIM in a phone',
  },
  'sms-pin-refused': {
    severity: 'trouble',
    transient: false,
    words: 'the PIN of the settings was tried once, was not accepted, and is not tried again',
    firstThing: 'try the PIN in a phone, then correct the PIN file; the wrong one is never sent again',
  },
  'sms-puk': {
    severity: 'trouble',
    transient: false,
    words: 'the SIM is locked and asks for its PUK, which is never tried',
    firstThing:
      'unlock the SIM in a phone with the PUK of its papers, set a PIN, and put it into the PIN file',
  },
  'sms-not-registered': {
    severity: 'trouble',
    transient: true,
    words: 'the modem found no network for SMS',
    firstThing: 'check the antenna and that the SIM is active and has credit',
  },
  'sms-failed': {
    severity: 'warning',
    transient: true,
    words: 'an SMS could not be sent now',
    firstThing: 'nothing at once: it is tried again; look at signal and credit if it stays',
  },
  'sms-refused': {
    severity: 'trouble',
    transient: false,
    words: 'an SMS was refused for good',
    firstThing: 'check the number in the settings, the credit, and that the SIM may send SMS',
  },
  'sms-unsure': {
    severity: 'warning',
    transient: true,
    words: 'the modem never said whether an SMS went out: it may arrive twice, with the same code',
    firstThing: 'nothing at once: it is tried again; look at the modem if it happens often',
  },
  'sms-number': {
    severity: 'trouble',
    transient: false,
    words: 'a number for SMS is none',
    firstThing: 'write it with + and the country code, digits only',
  },
  'sim-ends': {
    severity: 'warning',
    transient: false,
    words: 'the SIM runs out',
    firstThing: 'renew or replace the SIM, then correct its date in the settings',
  },
  'sim-credit': {
    severity: 'warning',
    transient: false,
    words: 'it is time to look at the credit of the SIM',
    firstThing: 'top it up, then set the next date in the settings',
  },
  'delivery-overdue': {
    severity: 'warning',
    transient: true,
    words: 'a message to a person got no answer from its way; nobody knows whether it went',
    firstThing: 'nothing at once: it is tried again; try the way with motepost alerts --send-test',
  },
  'http-unavailable': {
    severity: 'warning',
    transient: false,
    words: 'nobody can be let in over HTTP here',
    firstThing: 'name an address of this machine and a port that is free and above 1023',
  },
  'sql-package-missing': {
    severity: 'warning',
    transient: false,
    words: 'the packages for PostgreSQL are not installed',
    firstThing:
      'npm install pg@8.23.1 pg-copy-streams@7.0.0 in the folder of the program, and start the collector again',
  },
  'sql-unreachable': {
    severity: 'warning',
    transient: true,
    words: 'the database cannot be reached, or does not answer',
    firstThing:
      'nothing at first: the archive takes everything, and the database is filled later; look whether it runs',
  },
  'sql-refused-login': {
    severity: 'warning',
    transient: true,
    words: 'the database does not let the collector in',
    firstThing:
      'correct postgres.user, postgres.database or the password file, or the rights at the database',
  },
  'sql-refused': {
    severity: 'warning',
    transient: true,
    words: 'the database refuses a statement',
    firstThing:
      'read the reason shown: rights, a full disk there, or a schema of another release (config/postgres.sql)',
  },
  'sql-behind': {
    severity: 'warning',
    transient: true,
    words: 'lines of the archive have waited long for the database',
    firstThing: 'look whether the database runs and keeps up; nothing is lost, the archive has everything',
  },
} as const satisfies Record<string, FaultKind>

export type FaultCode = keyof typeof kinds

export interface Fault {
  readonly code: FaultCode
  /** What exactly: the path, port, line, host or answer. Never a secret. */
  readonly detail: string
}

export const faultCatalogue: Readonly<Record<FaultCode, FaultKind>> = kinds
export const faultCodes = Object.keys(kinds) as FaultCode[]

/** One line for a person: what, where, and what to do first. */
export function faultText(fault: Fault): string {
  const kind = faultCatalogue[fault.code]
  return `${kind.words}: ${fault.detail}. ${capital(kind.firstThing)}.`
}

const capital = (text: string): string => text.charAt(0).toUpperCase() + text.slice(1)
